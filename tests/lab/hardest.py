"""The ten steps in a row of a night that send most bytes at the press, as `segue plan` says.

Usage: hardest.py BINARY SHOW NIGHT [STEPS]; prints the call number to start from and the
bytes, then each step with its own.
"""

import json
import subprocess
import sys


def main():
    binary, show, night = sys.argv[1:4]
    length = int(sys.argv[4]) if len(sys.argv) > 4 else 10
    command = [binary, "plan", show, "--night", night, "--json"]
    steps = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)["steps"]
    cost = [sum(port["press_bytes"] for port in step["ports"]) for step in steps]
    sums = [sum(cost[at : at + length]) for at in range(len(steps) - length + 1)]
    first = max(range(len(sums)), key=sums.__getitem__)
    # A step is named after where it leads to; it starts at the call number before.
    start = steps[first - 1]["call"] if first else "the first position"
    print(f"start {start}, {sums[first]} bytes")
    for step, bytes_sent in zip(steps[first : first + length], cost[first:]):
        print(f"{step['call']} {step['song']}, {step['scene']}: {bytes_sent} bytes")


main()
