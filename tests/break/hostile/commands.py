"""Campaigns of single commands: tampered files, hostile names, things in place of files,
malformed recordings, and outputs that take nothing."""

import os
import signal
import socket
import stat
import subprocess

from . import smf
from .bench import SMALL, TOUR, TOUR_NIGHT, check_unchanged, snapshot
from .faults import check_svg, demand

SCREENS = ("stage", "wings", "order")
LEVELS = {"error", "warning", "note"}


def one_of_shows(bench):
    """A copy of a show, and what names its night."""
    if bench.rng.random() < 0.8:
        return bench.copy(SMALL), []
    return bench.copy(TOUR), ["--night", TOUR_NIGHT]


def files_of(show):
    return sorted(path for path in show.rglob("*") if path.is_file())


def check(bench, show):
    """Both forms of `check`, which must agree; whether there are errors."""
    plain = bench.run("check", show)
    found = bench.run("check", show, "--json", is_json=True)
    demand(plain.code == found.code, f"check says {plain.code}, with --json {found.code}")
    if found.json is None:
        demand(found.code == 2, "check --json printed nothing")
        return True
    for finding in found.json:
        demand(finding["level"] in LEVELS and finding["message"], f"a finding without words: {finding}")
    has_errors = any(finding["level"] == "error" for finding in found.json)
    demand(found.code == int(has_errors), f"check ended with {found.code}, errors: {has_errors}")
    return has_errors


def look(bench, show, night):
    """Every command that only looks at a show; nothing may change in it."""
    before = snapshot(show)
    check(bench, show)
    bench.run("plan", show, *night)
    bench.run("plan", show, *night, "--json", is_json=True)
    bench.run("curves", show)
    bench.run("line-check", show, "--panel")
    bench.run("ports", "--show", show)
    picture = bench.home / "picture.svg"
    bench.run("picture", show, *night, "--screen", bench.rng.choice(SCREENS), "-o", picture)
    if picture.is_file():
        check_svg(picture)
    replay(bench, show, night, smf.steps(range(100, 900, 100)))
    check_unchanged(before, show, "a command that only looks")
    demand(not any(bench.cwd.iterdir()), f"files were left where it was started: {list(bench.cwd.iterdir())}")


def replay(bench, show, night, recording):
    path = bench.home / "recording.mid"
    path.write_bytes(recording)
    out = bench.home / "played"
    ran = bench.run("replay", show, path, *night, "--out", out, "--json", is_lines=True)
    for line in ran.json:
        demand(set(line) == {"us", "port", "bytes"}, f"a line of replay --json: {line}")
    bench.run("replay", show, path, *night, "--against")
    demand(path.read_bytes() == recording, "replay changed its own recording")
    demand(snapshot(bench.home).keys() >= {b"recording.mid"}, "replay removed its own recording")


def tampered(bench):
    """One file of a show cut, flipped, or made of something else."""
    show, night = one_of_shows(bench)
    rng = bench.rng
    path = rng.choice(files_of(show))
    data = path.read_bytes()
    at = rng.randrange(len(data))
    what = rng.choice(("cut", "flip", "insert", "repeat", "empty", "noise"))
    if what == "cut":
        data = data[:at]
    elif what == "flip":
        data = smf.flipped(rng, data)
    elif what == "insert":
        data = data[:at] + rng.choice(HOSTILE_TEXTS) + data[at:]
    elif what == "repeat":
        data = data[:at] + data[: rng.randrange(at, len(data))] + data[at:]
    elif what == "empty":
        data = b""
    else:
        data = rng.randbytes(rng.randrange(4_000))
    path.write_bytes(data)
    bench.about = f"{path.name}: {what} at {at}"
    look(bench, show, night)


HOSTILE_TEXTS = [
    b"\x1b[31m", b"\x1b]0;x\x07", "\u202e".encode(), "\u2066".encode(), "\ufffe".encode(), "\ufeff".encode(),
    "\u009b31m".encode(), b"\x00", b"\x7f", b"\xff\xfe", b"\xc0\x80", b"(" * 200, b'"' , b"/*", b"//", b"\r", b"\x08",
    "\u2028".encode(), "e\u0301\u0302\u0303".encode() * 30, b"9" * 400, b"-0", b"1e400",
]

# Names of files and of things in files.
HOSTILE_NAMES = [
    "\x1b[2Jx", "a\nb", "tab\there", "bell\x07", "\u202egnos", "\u2066x", "\ufffe", "\x7f", "\u009b31m", "-rf", "--json",
    " ", "  x  ", "a'b\"c", "..x", "CON", "x" * 240, "ü" * 120, "\U0001f3b9", "e\u0301", "100%s", "$(id)", "a\\b",
]
# Names that a file cannot have.
HOSTILE_WORDS = HOSTILE_NAMES + ["../../../x", "/etc/x", "a/b", ".", "..", "", "x" * 3_000, "\u2028", "\0"]


def escaped(text):
    """A text of a show file, with what it may not hold as it is escaped."""
    return "".join(f"\\u{{{ord(c):x}}}" if ord(c) < 32 or c in '"\\' or ord(c) >= 127 else c for c in text)


def names(bench):
    """Hostile names of files, of the show, and of things in its files."""
    rng = bench.rng
    show, night = one_of_shows(bench)
    way = rng.randrange(4)
    if way == 0:
        # Of a file that is there.
        path = rng.choice([path for path in files_of(show) if path.name != "rig.ron"])
        path.rename(path.with_name(rng.choice(HOSTILE_NAMES) + path.suffix))
    elif way == 1:
        # Of one more file, whose name need not be text.
        folder, suffix = rng.choice([("songs", ".ron"), ("nights", ".ron"), ("patches", ".csv"), ("pages", ".txt")])
        (show / folder).mkdir(exist_ok=True)
        name = rng.choice([os.fsencode(rng.choice(HOSTILE_NAMES)), b"\xff\xfe", b"caf\xe9", b"\xed\xa0\x80"])
        path = os.fsencode(show / folder) + b"/" + name + os.fsencode(suffix)
        with open(path, "wb") as file:
            file.write(rng.choice([b"(version: 1)", b"", b"\xff", b'(version: 1, order: ["x"])']))
    elif way == 2:
        named = bench.home / rng.choice(HOSTILE_NAMES)
        show.rename(named)
        show = named
    else:
        for _ in range(rng.randrange(1, 4)):
            rename_thing(rng, show)
    look(bench, show, night)


def rename_thing(rng, show):
    """Another name for something that a file calls by name, everywhere in the show."""
    text = {path: path.read_text() for path in files_of(show) if path.suffix == ".ron"}
    quoted = sorted({word for words in text.values() for word in words.split('"')[1::2] if word and "\n" not in word})
    old, new = rng.choice(quoted), escaped(rng.choice(HOSTILE_WORDS))
    for path, words in text.items():
        path.write_text(words.replace(f'"{old}"', f'"{new}"'))


def put(bench, path, kind):
    """Something that is no file where a file was; what it is is its kind."""
    if path.is_dir() and not path.is_symlink():
        path.rename(bench.home / "aside")
    elif path.exists():
        path.unlink()
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "link to nothing":
        path.symlink_to("nowhere")
    elif kind == "link to itself":
        path.symlink_to(path.name)
    elif kind == "folder":
        path.mkdir()
    elif kind == "socket":
        # A path to a socket may have 107 bytes: it is named from its folder.
        holder = socket.socket(socket.AF_UNIX)
        folder = os.open(path.parent, os.O_RDONLY)
        holder.bind(f"/proc/self/fd/{folder}/{path.name}")
        os.close(folder)
        holder.close()
    elif kind == "endless device":
        path.symlink_to(device(bench, 5))
    elif kind == "empty device":
        path.symlink_to(device(bench, 3))
    elif kind == "link upward":
        path.symlink_to("..")


def device(bench, minor):
    """A device of the case's own like `/dev/null` (1, 3), `/dev/zero` (1, 5) or `/dev/full`
    (1, 7): the system's would be lost to everybody if the program replaced it. Where none can
    be made, a pipe."""
    path = bench.home / f"device-{minor}"
    made = subprocess.run(["mknod", str(path), "c", "1", str(minor)], check=False, capture_output=True)
    if made.returncode != 0 and not path.exists():
        os.mkfifo(path)
    return path


KINDS = ["pipe", "link to nothing", "link to itself", "folder", "socket", "endless device", "empty device", "link upward"]


def things(bench):
    """Pipes, links, devices and folders in place of files of a show: what cannot be read is
    said, with exit status 1, and plan and replay say so too."""
    rng = bench.rng
    show, night = one_of_shows(bench)
    path = rng.choice(files_of(show) + [path for path in show.iterdir() if path.is_dir()])
    kind = rng.choice(KINDS)
    put(bench, path, kind)
    bench.about = f"{path.name} is a {kind}"
    look(bench, show, night)
    # A page that cannot be read is a matter of its own: music is not touched.
    is_song = path.suffix == ".ron" and path.parent.name == "songs"
    if is_song or path.name == "rig.ron":
        demand(check(bench, show), f"{path.name} is a {kind}, and check finds no error")
        song = bench.run("plan", show, *night)
        demand(song.code != 0, f"{path.name} is a {kind}, and plan ends with 0")
        path_of_take = bench.home / "recording.mid"
        again = bench.run("replay", show, path_of_take, *night, "--out", bench.home / "again")
        demand(again.code != 0, f"{path.name} is a {kind}, and replay ends with 0")


def targets(bench):
    """What may not be written over: pipes, devices, links, files of the show, the recording."""
    rng = bench.rng
    show, night = one_of_shows(bench)
    outside = bench.home / "outside"
    outside.mkdir()
    way = rng.choice(
        ["pipe", "socket", "device", "link to device", "file of the show", "link into the show", "hard link", "folder",
         "link to nothing", "recording", "folder of the show", "plain file"]
    )
    bench.about = f"into a {way}"
    before_show = snapshot(show)
    target = outside / "x.svg"
    kind_before = None
    if way in ("pipe", "socket", "folder", "link to nothing"):
        put(bench, target, way)
    elif way == "device":
        device(bench, 3).rename(target)
    elif way == "link to device":
        target.symlink_to(device(bench, 7))
    elif way == "file of the show":
        target = rng.choice(files_of(show))
    elif way == "link into the show":
        target.symlink_to(rng.choice(files_of(show)))
    elif way == "hard link":
        # One file under two names, as a backup keeps it.
        (outside / "other.svg").write_text("old words")
        os.link(outside / "other.svg", target)
    elif way == "plain file":
        target.write_text("old words")
    if way in ("recording", "folder of the show"):
        return replay_targets(bench, show, night, way, outside)
    kind_before = stat.S_IFMT(target.lstat().st_mode)
    inside = snapshot(outside)
    drawn = bench.run("picture", show, *night, "-o", target)
    check_unchanged(before_show, show, f"picture into a {way}")
    demand(stat.S_IFMT(target.lstat().st_mode) == kind_before, f"picture turned a {way} into something else")
    if way == "plain file":
        demand(drawn.code == 0, f"a picture could not be written over an old one: {drawn.err}")
        check_svg(target)
    elif way == "hard link":
        other = (outside / "other.svg").read_bytes()
        demand(target.read_bytes() == other, "picture broke a hard link")
        demand((drawn.code == 0) == (other != b"old words"), "picture says one thing and did another")
    else:
        demand(drawn.code != 0, f"picture wrote into a {way} and ended with 0")
        check_unchanged(inside, outside, f"picture into a {way}")
    left = [path.name for path in outside.iterdir() if path.name.startswith(".")]
    demand(not left, f"picture left {left}")


def replay_targets(bench, show, night, way, outside):
    """`replay --out` names its files after ports: one may be the recording itself, or of the show."""
    recording = smf.steps([100, 300])
    names = {"recording": outside, "folder of the show": show / "songs"}
    folder = names[way]
    bench.run("replay", show, write(bench.home / "first.mid", recording), *night, "--out", bench.home / "names")
    port = bench.rng.choice(sorted((bench.home / "names").iterdir())).name
    if way == "recording":
        path = write(folder / port, recording)
    else:
        path = write(bench.home / "take.mid", recording)
        write(show / "songs" / port, b"words of mine")
    before = snapshot(show)
    bench.run("replay", show, path, *night, "--out", folder)
    demand(path.read_bytes() == recording, "replay --out wrote over its own recording")
    if way == "recording":
        check_unchanged(before, show, "replay")
    else:
        songs = {name: kept for name, kept in before.items() if name.endswith(b".ron")}
        after = snapshot(show)
        demand(all(after.get(name) == kept for name, kept in songs.items()), "replay --out changed a song")


def write(path, data):
    path.write_bytes(data)
    return path


def state(bench):
    """Things in place of the program's own files: it plays, or says why not, and never waits."""
    rng = bench.rng
    show, night = one_of_shows(bench)
    name = rng.choice(["events.log", "positions", "positions.lock", "crash.log", "stderr.log", "recordings", "marks", ""])
    kind = rng.choice(KINDS)
    bench.about = f"{name or 'the state folder'} is a {kind}"
    bench.state.mkdir(parents=True)
    if name:
        put(bench, bench.state / name, kind)
    else:
        bench.state.rmdir()
        put(bench, bench.state, kind)
    if rng.random() < 0.3:
        put(bench, bench.config / "keys.txt", rng.choice(KINDS))
    bench.run("keys")
    before = snapshot(show)
    player = bench.play(show, *night, "--headless", "--model")
    player.wait_words("ready: ")
    player.end(rng.choice([signal.SIGTERM, signal.SIGINT]))
    check_unchanged(before, show, "play")


def recordings(bench):
    """Malformed recordings, replayed and played."""
    show, night = one_of_shows(bench)
    before = snapshot(show)
    data = smf.malformed(bench.rng)
    replay(bench, show, night, data)
    if bench.rng.random() < 0.3:
        path = bench.home / "recording.mid"
        player = bench.play(show, *night, "--headless", "--model", "--recording", path, "--out", bench.home / "along")
        player.wait(lambda: "ready: " in player.text() or not player.is_running(), "the show or an error")
        player.end(codes=(0, 1, 2))
    check_unchanged(before, show, "a recording")


def keys(bench):
    """Keys of one's own, as anybody may have written them."""
    rng = bench.rng
    lines = []
    for _ in range(rng.randrange(1, 30)):
        word = rng.choice(["step", "back", "panic", "quit", "record", *HOSTILE_WORDS])
        key = rng.choice(["Space", "F5", "a", "Ctrl-x", *HOSTILE_WORDS])
        lines.append(rng.choice([f"{word}: {key}", f"{word} {key}", word, f"# {key}"]))
    bench.config.mkdir(parents=True, exist_ok=True)
    (bench.config / "keys.txt").write_bytes("\n".join(lines).encode() + rng.choice([b"", b"\xff", b"\x00\n"]))
    bench.run("keys")
    bench.run("keys", "--manual")
    show = bench.copy()
    player = bench.play(show, "--model", tty=True)
    player.wait_screen()
    player.end()


def outputs(bench):
    """Outputs that take nothing: a pipe whose reader is gone, a full device, none at all."""
    rng = bench.rng
    show, night = one_of_shows(bench)
    path = write(bench.home / "recording.mid", smf.steps([100, 200, 300]))
    before = snapshot(show)
    command = rng.choice(
        [
            ["check", show], ["check", show, "--json"], ["plan", show, *night], ["plan", show, *night, "--json"],
            ["curves", show], ["keys"], ["keys", "--manual"], ["line-check", show, "--panel"], ["ports"],
            ["picture", show, *night, "-o", bench.home / "x.svg"], ["--help"], ["--version"], ["plan", "--help"],
            ["replay", show, path, *night, "--out", bench.home / "played", "--json"],
            ["replay", show, path, *night, "--against"], ["new", bench.home / "new"], ["new", "--demo", bench.home / "demo"],
        ]
    )
    way = rng.choice(["broken pipe", "full device", "closed", "reader that stops"])
    bench.about = way
    if way == "broken pipe":
        reader, writer = os.pipe()
        os.close(reader)
        bench.run(*command, stdout=writer)
        os.close(writer)
    elif way == "full device":
        with open("/dev/full", "wb") as full:
            ran = bench.run(*command, stdout=full)
        is_asked = command[0] in ("check", "plan", "curves", "keys", "line-check") and "--help" not in command
        demand(ran.code != 0 or not is_asked, f"`{ran.what}` printed nothing and ended with 0")
    elif way == "closed":
        closed(bench, command)
    else:
        stopped(bench, command)
    check_unchanged(before, show, f"a {way}")


def closed(bench, command):
    """All three ends closed, as a badly written service starts it."""
    bench.count()
    words = " ".join('"$' + "{" + str(at) + "}" + '"' for at in range(1, len(command) + 1))
    script = f'exec "$0" {words} <&- >&- 2>&-'
    shell = ["sh", "-c", script, *[os.fspath(word) for word in bench.command(command)]]
    done = subprocess.run(shell, cwd=bench.cwd, env=bench.environment(), timeout=60, check=False)
    demand(done.returncode in (0, 1, 2), f"`{command}` with all ends closed ended with {done.returncode}")
    bench.check_crash()


def stopped(bench, command):
    """A reader that takes one line and goes, as `head -1`."""
    bench.count()
    process = subprocess.Popen(
        bench.command(command), cwd=bench.cwd, env=bench.environment(), stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )
    process.stdout.readline()
    process.stdout.close()
    err = process.stderr.read().decode(errors="replace")
    code = process.wait(60)
    demand("panicked" not in err, f"`{command}` panicked: {err}")
    demand(code in (0, 1, 2), f"`{command}` ended with {code} when its reader had gone")


