"""Campaigns of shows being played: kills, takes that are cut, full and read-only disks, key
storms, terminals that go away."""

import signal
import subprocess
import time

from . import smf
from .bench import SMALL, TOUR, TOUR_NIGHT, check_unchanged, places, snapshot
from .faults import demand, shown

# What the log says of a receiver that was sent anything.
SENT = "sent its state"
READY = "ready: "
TAKEN_UP = "taken up"


def tour(bench):
    return bench.copy(TOUR), ["--night", TOUR_NIGHT]


def calls(bench, show, night):
    """The night's call numbers in their order."""
    plan = bench.run("plan", show, *night, "--json", is_json=True)
    return ["1.1", *(step["call"] for step in plan.json["steps"] if step["call"] != "1.1")]


def write(path, data):
    path.write_bytes(data)
    return path


def headless(bench, show, night, *more, **options):
    return bench.play(show, *night, "--headless", "--model", *more, **options)


def stepping(bench, show, night, count=400):
    """A show that steps by itself, from 0.5 s after its start, at uneven times."""
    at, times = 0, []
    for _ in range(count):
        at += bench.rng.randrange(300, 420)
        times.append(at)
    path = write(bench.home / "steps.mid", smf.steps(times))
    return headless(bench, show, night, "--recording", path)


def step_count(text):
    return len(places(text)) - 1


def kill_on_the_way(bench, show, night):
    """Plays and steps, is killed at some moment; the place that the log confirmed last."""
    player = stepping(bench, show, night)
    wanted = bench.rng.randrange(1, 6)
    player.wait(lambda: step_count(player.text()) >= wanted, f"{wanted} steps")
    time.sleep(bench.rng.random() * 0.5)
    player.kill()
    return places(player.text())[-1]


def stands_waiting(bench, show, night, order, last):
    """The next start stands where the log said, or one further (the place is written down
    before the log says so), and sends nothing."""
    player = headless(bench, show, night)
    player.wait_words(READY)
    text = player.text()
    at = places(text)[0]
    fits = order.index(last), min(order.index(last) + 1, len(order) - 1)
    demand(at in order and order.index(at) in fits, f"killed at {last}, comes back at {at}: {shown(text)}")
    # A wait for nothing: what would be sent would be sent at once, when ports are there.
    time.sleep(0.3)
    demand(SENT not in player.text(), f"killed at {last}, and something is sent at once: {shown(player.text())}")
    return player


def takes_up(bench, show, night, order, last):
    """A step takes the show up: then, and not before, every port gets its state."""
    path = write(bench.home / "one.mid", smf.steps([500, 1100]))
    player = headless(bench, show, night, "--recording", path)
    player.wait_words(READY)
    player.wait_words(SENT)
    text = player.text()
    demand(TAKEN_UP in text, f"something is sent and nothing was taken up: {shown(text)}")
    demand(text.index(TAKEN_UP) < text.index(SENT), f"something is sent before it is taken up: {shown(text)}")
    player.wait(lambda: step_count(player.text()) >= 1 or order[-1] == last, "a step")
    player.end()
    player = headless(bench, show, night)
    player.wait_words(SENT)
    demand(places(player.text())[0] == order[0], "a show that was ended does not begin at its beginning")
    player.end()


def kills(bench):
    """Killed while stepping; then whatever else happens before the next real start."""
    rng = bench.rng
    show, night = tour(bench)
    order = calls(bench, show, night)
    before = snapshot(show)
    other = None
    if rng.random() < 0.4:
        # Another show is open all the while, in the same state folder.
        other = headless(bench, bench.copy(SMALL, "other"), [])
        other.wait_words(READY)
    last = kill_on_the_way(bench, show, night)
    accidents = rng.sample(["look", "rehearse", "at", "kill again"], rng.randrange(3))
    bench.about = ", ".join(["killed", *accidents, *(["another show open"] if other else [])])
    for accident in accidents:
        if accident == "look":
            stands_waiting(bench, show, night, order, last).end(rng.choice([signal.SIGTERM, signal.SIGINT]))
        elif accident == "kill again":
            stands_waiting(bench, show, night, order, last).kill()
        else:
            more = ["--rehearse"] if accident == "rehearse" else ["--at", "2.1"]
            player = headless(bench, show, night, *more)
            player.wait_words(READY)
            player.end()
    stands_waiting(bench, show, night, order, last).kill()
    takes_up(bench, show, night, order, last)
    if other is not None:
        other.end()
    check_unchanged(before, show, "a kill")


def damage(bench):
    """Killed, and at the next start the song is damaged, or gone: nothing is sent at once."""
    show, night = tour(bench)
    last = kill_on_the_way(bench, show, night)
    song = show / "songs" / "ferry-lights.ron"
    data = song.read_bytes()
    way = bench.rng.choice(["cut", "gone", "a scene fewer"])
    bench.about = f"the song is {way}"
    if way == "cut":
        song.write_bytes(data[: bench.rng.randrange(len(data))])
    elif way == "gone":
        song.unlink()
    else:
        words = data.decode()
        head, order = words.rsplit("order: [", 1)
        song.write_text(head + "order: [" + order.split(",", 1)[1])
    player = headless(bench, show, night)
    player.wait_words(READY)
    time.sleep(0.3)
    text = player.text()
    demand(SENT not in text, f"killed at {last}, the song is {way}, and something is sent at once: {shown(text)}")
    player.kill()


def takes(bench):
    """Recording on the screen, then a kill: what was played can be replayed."""
    rng = bench.rng
    show, night = tour(bench)
    player = bench.play(show, *night, "--model", tty=True)
    player.wait_screen()
    wanted = 0
    for _ in range(rng.randrange(1, 3)):
        player.press("*")
        time.sleep(0.3)
        for _ in range(rng.randrange(1, 4)):
            before = step_count(bench.log())
            player.press(" ")
            player.wait(lambda: step_count(bench.log()) > before, "a step")
            # The next is no bounce of it.
            time.sleep(0.3)
            wanted += 1
        if rng.random() < 0.5:
            player.press("*")
            time.sleep(0.3)
    # What was played a second ago is on the disk.
    time.sleep(1.0)
    player.kill()
    # The next start may have to put the take right.
    again = headless(bench, show, night)
    again.wait_words(READY)
    again.kill()
    found = sorted(bench.state.glob("recordings/*.mid"))
    demand(found, f"killed while recording, and there is no take: {shown(bench.log())}")
    steps = sum(replayed_steps(bench, show, night, path) for path in found)
    demand(steps >= wanted, f"{wanted} steps were recorded, {steps} are in {[path.name for path in found]}")


def replayed_steps(bench, show, night, path):
    """Replays a take, which must go; how many steps are in it."""
    ran = bench.run("replay", show, path, *night, "--out", bench.home / "played", codes=(0,))
    demand("left out" not in ran.err, f"not all of a take is understood: {shown(ran.err)}")
    return path.read_bytes().count(b"\x04step")


def disks(bench):
    """A state folder that is full, or may not be written: the show is played, says so, and
    when there is room again the place is kept again."""
    rng = bench.rng
    show, night = tour(bench)
    order = calls(bench, show, night)
    way = rng.choice(["full", "read-only", "a limit"])
    bench.about = way
    is_mounted = way != "a limit" and bench.mount(bench.state.parent, 256)
    if way == "read-only" and is_mounted:
        bench.state.mkdir()
        subprocess.run(["mount", "-o", "remount,ro", str(bench.state.parent)], check=True)
    filler = bench.state.parent / "filler"
    # What the program has of its own there may hold a little more, without any room beside it.
    is_tight = True
    if way == "full" and is_mounted:
        if rng.random() < 0.5:
            kill_on_the_way(bench, show, night)
            is_tight = False
        fill(filler)
    limit = None if is_mounted else rng.choice([0, 1, 100, 4096])
    is_tight = is_tight and limit in (None, 0, 1)
    path = write(bench.home / "steps.mid", smf.steps(range(300, 60_000, 300)))
    player = headless(bench, show, night, "--recording", path, fsize=limit)
    # One that was killed before is taken up by its first step.
    player.wait(lambda: step_count(player.text()) >= 2, "two steps")
    if is_tight:
        told = "position" in player.error_text() + "".join(warnings(player.text()))
        demand(told, f"the place is not kept ({way}), and nothing says so: {shown(player.words())}")
    if not filler.exists():
        player.end()
        return
    filler.unlink()
    count = step_count(player.text())
    player.wait(lambda: step_count(player.text()) >= count + 4, "four more steps")
    time.sleep(0.2)
    player.kill()
    last = places(player.text())[-1]
    stands_waiting(bench, show, night, order, last).kill()


def warnings(text):
    return [line for line in text.splitlines() if "warning" in line or "error" in line]


def fill(path):
    """Leaves no room, not a byte."""
    with open(path, "wb", buffering=0) as file:
        for size in (4096, 1):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                continue


# Everything that a terminal may send: keys, halves of keys, reports, pasted text, noise.
TYPED = [
    *(bytes([code]) for code in range(127) if bytes([code]) not in (b"q", b"\x03")),
    b"\x1b[A", b"\x1b[B", b"\x1b[C", b"\x1b[D", b"\x1b[5~", b"\x1b[6~", b"\x1b[H", b"\x1b[F", b"\x1bOP", b"\x1b[17~",
    b"\x1b[", b"\x1b", b"\x1b[200~pasted\nwords\x1b[201~", b"\x1b[<0;10;10M", b"\x1b[<65;5;5M", b"\x1b[<0;999;999m",
    b"\x1b[I", b"\x1b[O", b"\x1b[?1u", b"\x1b[97;1:3u", b"\x1b[32;1:2u", b"\x1b[8;2;2t", "ü🎹é".encode(), b"\xff\xfe\xc3",
    b":back 3\r", b":jump 7.3\r", b":panic\r", b"/river\r", b"g2.3\r", b"aword\r", b"\x1b[24~", b"kzxcvb\x1b", b"*", b"* *",
]
# What ends the show, rarely.
LEAVING = [b"q", b"\x03", b"qq", b":quit\r"]


def storm(bench, player, seconds):
    """Types and resizes as fast as the terminal takes it."""
    rng = bench.rng
    until = time.monotonic() + seconds
    while time.monotonic() < until and player.is_running():
        way = rng.random()
        if way < 0.8:
            player.press(b"".join(rng.choice(TYPED) for _ in range(rng.randrange(1, 40))))
        elif way < 0.95:
            for _ in range(rng.randrange(1, 20)):
                player.resize(rng.choice([1, 2, 5, 24, 30, 80, 300]), rng.choice([1, 2, 9, 40, 100, 300, 700]))
        elif way < 0.97:
            player.send(rng.choice([signal.SIGTSTP, signal.SIGWINCH, signal.SIGCONT, signal.SIGTTOU]))
        elif way < 0.971:
            player.press(rng.choice(LEAVING))
        elif way < 0.985:
            player.is_stalled.set()
            time.sleep(0.3)
            player.is_stalled.clear()
        else:
            time.sleep(0.05)


def one_on_a_terminal(bench):
    rng = bench.rng
    show, night = (bench.copy(SMALL), []) if rng.random() < 0.5 else tour(bench)
    more = rng.choice([[], ["--rehearse"], ["--ascii"], ["--theme", "red-light"]])
    size = rng.choice([(30, 100), (24, 80), (1, 1), (60, 200), (3, 300)])
    player = bench.play(show, *night, "--model", *more, tty=True, size=size)
    player.wait_screen()
    return show, night, player


def storms(bench):
    """Keys at a high rate, random sizes, signals of job control; then the end."""
    show, night, player = one_on_a_terminal(bench)
    before = snapshot(show)
    storm(bench, player, 1.5 + bench.rng.random())
    demand(not player.is_running() or alive(player), "the process is stopped")
    player.end(bench.rng.choice([signal.SIGTERM, signal.SIGINT]))
    demand("all notes released" in bench.log(), f"it ended and let nothing go: {shown(bench.log())}")
    check_unchanged(before, show, "a key storm")
    for path in sorted(bench.state.glob("recordings/*.mid")):
        replayed_steps(bench, show, night, path)


def alive(player):
    """Whether job control has not stopped it."""
    with open(f"/proc/{player.process.pid}/stat", encoding="utf-8") as file:
        return file.read().rsplit(")", 1)[1].split()[0] not in "tT"


def terminals(bench):
    """The terminal goes away in the middle: all notes are let go, and the place is kept."""
    rng = bench.rng
    show, night, player = one_on_a_terminal(bench)
    steps = 0
    for _ in range(rng.randrange(3)):
        count = step_count(bench.log())
        player.press(" ")
        player.wait(lambda: step_count(bench.log()) > count, "a step")
        time.sleep(0.3)
        steps += 1
    player.press(b"k" + bytes(rng.choice(b"zxcvbn") for _ in range(3)))
    if rng.random() < 0.5:
        player.send(signal.SIGHUP)
    else:
        player.hang_up()
    player.ended(codes=(0, 1, 2))
    log = bench.log()
    demand("all notes released" in log, f"the terminal went away, and notes were not let go: {shown(log)}")
    last = places(log)[-1]
    again = headless(bench, show, night)
    again.wait_words(READY)
    at = places(again.text())[0]
    demand(at == last, f"the terminal went away at {last}, the next start is at {at}")
    demand(SENT not in again.text(), f"something is sent at once: {shown(again.text())}")
    again.kill()


def signals(bench):
    """Signals that ask for the end, at any moment, without and with a screen."""
    rng = bench.rng
    show, night = tour(bench)
    number = rng.choice([signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT])
    if rng.random() < 0.5:
        player = stepping(bench, show, night)
        player.wait_words(READY)
    else:
        player = bench.play(show, *night, "--model", tty=True)
        player.wait_screen()
    time.sleep(rng.random())
    player.end(number)
    demand("all notes released" in bench.log(), f"{number.name}: nothing was let go: {shown(bench.log())}")


