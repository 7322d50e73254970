"""Exported files read back by mido 1.3.3 (a general-purpose MIDI library, not ours).

mido writes a recording, the program replays it, mido reads what came out: every message
of every port, in order, must be the one that `--json` printed. (mido does not decode
running status; the files are written without it, which this proves too.)

Usage: exports.py [BINARY]; prints `N passed, N failed`.
"""

import json
import pathlib
import subprocess
import sys
import tempfile

import mido

ROOT = pathlib.Path(__file__).resolve().parent.parent
SHOW = ROOT / "shows" / "quarry-lanterns"
NIGHT = "harbour-hall"

passed = 0
failed = 0


def check(name, is_true, detail=""):
    global passed, failed
    if is_true:
        passed += 1
    else:
        failed += 1
        print(f"FAILED {name} {detail}")


def binary():
    if len(sys.argv) > 1:
        return sys.argv[1]
    subprocess.run(["cargo", "build", "--quiet"], cwd=ROOT, check=True)
    return str(ROOT / "target" / "debug" / "segue")


def recording(path):
    """Two hands on two keyboards, a pedal, steps by foot and by marker."""
    file = mido.MidiFile(ticks_per_beat=480)
    marks = mido.MidiTrack()
    marks.append(mido.MetaMessage("set_tempo", tempo=500_000, time=0))
    for at in range(8):
        marks.append(mido.MetaMessage("marker", text="step", time=0 if at == 0 else 960))
    marks.append(mido.MetaMessage("marker", text="back", time=960))
    file.tracks.append(marks)

    for name, low in (("keys", 36), ("strap", 48)):
        track = mido.MidiTrack()
        track.append(mido.MetaMessage("track_name", name=name, time=0))
        for at in range(60):
            key = low + (at * 7) % 36
            track.append(mido.Message("note_on", note=key, velocity=60 + at % 60, time=100))
            if at % 10 == 3:
                track.append(mido.Message("control_change", control=64, value=127, time=5))
            if at % 10 == 7:
                track.append(mido.Message("control_change", control=64, value=0, time=5))
            track.append(mido.Message("note_off", note=key, velocity=64, time=90))
        file.tracks.append(track)

    feet = mido.MidiTrack()
    feet.append(mido.MetaMessage("track_name", name="pedal box", time=0))
    for _ in range(4):
        feet.append(mido.Message("control_change", control=80, value=127, time=1900))
        feet.append(mido.Message("control_change", control=80, value=0, time=100))
    file.tracks.append(feet)
    file.save(path)


def replay(segue, folder, name):
    out = folder / name
    result = subprocess.run(
        [segue, "replay", SHOW, folder / "in.mid", "--out", out, "--night", NIGHT, "--json"],
        capture_output=True, text=True, check=False,
    )
    check(f"{name}: exit status 0", result.returncode == 0, result.stderr)
    return result.stdout, {path.name: path.read_bytes() for path in sorted(out.glob("*.mid"))}


def main():
    segue = binary()
    with tempfile.TemporaryDirectory() as temporary:
        folder = pathlib.Path(temporary)
        recording(folder / "in.mid")
        first_lines, first_files = replay(segue, folder, "one")
        second_lines, second_files = replay(segue, folder, "two")
        check("the same recording gives the same lines twice", first_lines == second_lines)
        check("the same recording gives the same files twice", first_files == second_files)

        messages = [json.loads(line) for line in first_lines.splitlines()]
        check("lines have exactly us, port and bytes",
              messages and all(list(message) == ["us", "port", "bytes"] for message in messages))
        times = [message["us"] for message in messages]
        check("time never runs backwards", times == sorted(times))
        last_us = max(times, default=0)
        ports = {}
        for message in messages:
            ports.setdefault(message["port"], []).append(bytes.fromhex(message["bytes"]))
        # The spare's too, kept in the state of the one that is played, and the keyboard's own.
        check("every port of the show was sent something", len(ports) == 8, sorted(ports))

        for port, sent in ports.items():
            path = folder / "one" / f"{port.replace(' ', '-')}.mid"
            file = mido.MidiFile(path)
            read = [bytes(m.bytes()) for track in file.tracks for m in track if not m.is_meta]
            check(f"{port}: mido reads the messages that were sent, in order", read == sent,
                  f"{len(read)} read, {len(sent)} sent")
            names = [m.name for track in file.tracks for m in track if m.type == "track_name"]
            check(f"{port}: the track has the port's name", names == [port], names)
            check(f"{port}: the file lasts as long as the playing", file.length <= last_us / 1e6 + 0.001)

        notes = [m for m in ports.get("rack", []) if m[0] & 0xF0 == 0x90 and m[2]]
        ends = [m for m in ports.get("rack", []) if m[0] & 0xF0 == 0x80 or (m[0] & 0xF0 == 0x90 and not m[2])]
        check("notes reached the main instrument", len(notes) > 50, len(notes))
        check("every note struck was ended", sorted((m[0] & 15, m[1]) for m in notes)
              == sorted((m[0] & 15, m[1]) for m in ends), f"{len(notes)} on, {len(ends)} off")

    print(f"{passed} passed, {failed} failed")
    return failed != 0


sys.exit(main())
