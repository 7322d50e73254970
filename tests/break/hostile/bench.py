"""Where a case works: folders of its own, the program started in them, and what is looked
at after each start."""

import fcntl
import hashlib
import os
import pathlib
import pty
import random
import re
import select
import shutil
import signal
import stat
import struct
import subprocess
import tempfile
import termios
import threading
import time

from .faults import Fault, check_json, check_json_lines, check_panic, check_words, demand, shown

ROOT = pathlib.Path(__file__).resolve().parent.parent.parent.parent
SHOWS = ROOT / "shows"
SMALL = "first-steps"
TOUR = "quarry-lanterns"
TOUR_NIGHT = "harbour-hall"

# Longer than anything takes on a busy machine; past it the program hangs.
PATIENCE_S = 60.0
GLANCE_S = 0.02

# More memory than any show needs: what reads without a limit ends here, not the machine.
MEMORY_BYTES = 2 << 30


class Bench:
    """A case's folders: show, state, settings, and where the program is started."""

    runs = 0
    runs_lock = threading.Lock()

    def __init__(self, binary, rng):
        self.binary = str(binary)
        self.rng = rng
        self.home = pathlib.Path(tempfile.mkdtemp(prefix="segue-break-"))
        self.state = self.home / "state" / "segue"
        self.config = self.home / "config" / "segue"
        self.cwd = self.home / "cwd"
        for folder in (self.state.parent, self.config, self.cwd):
            folder.mkdir(parents=True)
        self.players = []
        self.mounts = []
        # What the case has rolled, for whoever reads of its failure.
        self.about = ""

    def close(self):
        for player in self.players:
            player.kill()
        for mount in self.mounts:
            subprocess.run(["umount", "-l", str(mount)], check=False, capture_output=True)
        # What a case made unreadable is made readable again, to be removed.
        shutil.rmtree(self.home, ignore_errors=True)

    def copy(self, name=SMALL, to="show"):
        """A copy of a show that comes with the program."""
        folder = self.home / to
        shutil.copytree(SHOWS / name, folder)
        return folder

    def environment(self):
        kept = {"PATH": os.environ.get("PATH", "")}
        return kept | {
            "HOME": str(self.home),
            "XDG_STATE_HOME": str(self.state.parent),
            "XDG_CONFIG_HOME": str(self.config.parent),
            "TERM": "xterm-256color",
            "LANG": "C.UTF-8",
            "RUST_BACKTRACE": "0",
        }

    def command(self, arguments, fsize=None):
        limits = [f"--as={MEMORY_BYTES}"]
        if fsize is not None:
            limits.append(f"--fsize={fsize}")
        return ["prlimit", *limits, self.binary, *[os.fspath(word) for word in arguments]]

    def count(self):
        with Bench.runs_lock:
            Bench.runs += 1

    def run(self, *arguments, is_json=False, is_lines=False, codes=(0, 1, 2), stdout=None, stdin=b""):
        """Runs a command to its end and looks at all that must hold for any. `stdout` is a
        file that its output goes to instead."""
        self.count()
        what = "segue " + " ".join(shown(os.fsdecode(os.fspath(word))) for word in arguments)
        try:
            done = subprocess.run(
                self.command(arguments),
                cwd=self.cwd,
                env=self.environment(),
                input=stdin,
                stdout=subprocess.PIPE if stdout is None else stdout,
                stderr=subprocess.PIPE,
                timeout=PATIENCE_S,
                check=False,
            )
        except subprocess.TimeoutExpired:
            raise Fault(f"`{what}` still runs after {PATIENCE_S:.0f} s") from None
        err = done.stderr.decode(errors="replace")
        check_panic(err, f"`{what}`")
        demand(
            done.returncode in codes,
            f"`{what}` ended with {done.returncode}, not one of {codes}: {shown(err)}",
        )
        check_words(done.stderr, f"the error output of `{what}`")
        self.check_crash()
        result = Result(done.returncode, done.stdout or b"", err, what)
        if stdout is None:
            if is_json and done.stdout:
                result.json = check_json(done.stdout, f"`{what}`")
            elif is_lines:
                result.json = check_json_lines(done.stdout, f"`{what}`")
            else:
                check_words(done.stdout, f"the output of `{what}`")
        return result

    def play(self, *arguments, **options):
        self.count()
        player = Player(self, ["play", *arguments], **options)
        self.players.append(player)
        return player

    def log(self):
        path = self.state / "events.log"
        # A case may have put a pipe or a device there.
        return path.read_text(errors="replace") if path.is_file() else ""

    def check_crash(self):
        for name in ("crash.log", "stderr.log"):
            path = self.state / name
            if path.is_file():
                text = path.read_text(errors="replace")
                is_crash = name == "crash.log" and text.strip()
                demand(not is_crash, f"crash.log has: {shown(text)}")
                check_panic(text, name)

    def mount(self, folder, size_kib):
        """A small file system there, if this is allowed here; whether it is."""
        folder.mkdir(parents=True, exist_ok=True)
        words = ["mount", "-t", "tmpfs", "-o", f"size={size_kib}k", "none", str(folder)]
        is_there = subprocess.run(words, check=False, capture_output=True).returncode == 0
        if is_there:
            self.mounts.append(folder)
        return is_there


class Result:
    def __init__(self, code, out, err, what):
        self.code, self.out, self.err, self.what = code, out, err, what
        self.json = None


class Player:
    """`segue play` that goes on by itself: without a screen, or on a pseudo-terminal."""

    def __init__(self, bench, arguments, tty=False, size=(30, 100), fsize=None, stdout=None):
        self.bench = bench
        self.what = "segue " + " ".join(os.fspath(word) for word in arguments)
        self.seen = bytearray()
        self.errors = bytearray()
        self.lock = threading.Lock()
        self.master = None
        self.slave = None
        self.is_stalled = threading.Event()
        words = bench.command(arguments, fsize)
        options = {"cwd": bench.cwd, "env": bench.environment(), "close_fds": True}
        # A file that may grow no further is an error, not the end (SIGXFSZ stays ignored, as
        # it is here).
        options["restore_signals"] = fsize is None
        if tty:
            self.master, self.slave = pty.openpty()
            self.resize(*size)
            self.modes = termios.tcgetattr(self.slave)
            ends = dict.fromkeys(("stdin", "stdout", "stderr"), self.slave)
            self.process = subprocess.Popen(["setsid", "--ctty", *words], **ends, **options)
            self.listeners = [threading.Thread(target=self.listen, daemon=True)]
        else:
            self.process = subprocess.Popen(
                words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE if stdout is None else stdout,
                stderr=subprocess.PIPE,
                **options,
            )
            pipes = [(self.process.stdout, self.seen), (self.process.stderr, self.errors)]
            self.listeners = [
                threading.Thread(target=self.drain, args=pair, daemon=True)
                for pair in pipes
                if pair[0] is not None
            ]
        for listener in self.listeners:
            listener.start()

    def drain(self, pipe, into):
        while chunk := pipe.read1(65536):
            with self.lock:
                into.extend(chunk)

    def listen(self):
        """Takes what is drawn, but while it is stalled."""
        while self.master is not None:
            if self.is_stalled.is_set():
                time.sleep(GLANCE_S)
                continue
            try:
                ready, _, _ = select.select([self.master], [], [], 0.1)
                if ready:
                    self.seen.extend(os.read(self.master, 65536))
                    del self.seen[:-65536]
            except (OSError, TypeError, ValueError):
                return

    def text(self):
        with self.lock:
            return bytes(self.seen).decode(errors="replace")

    def error_text(self):
        with self.lock:
            return bytes(self.errors).decode(errors="replace")

    def words(self):
        """All that it has said so far, on its outputs and in the log."""
        return self.text() + self.error_text() + self.bench.log()

    def is_running(self):
        return self.process.poll() is None

    def wait(self, is_there, what):
        until = time.monotonic() + PATIENCE_S
        while not is_there():
            if not self.is_running():
                # What it said last may just have come.
                time.sleep(0.1)
                demand(is_there(), f"{self.what} ended, {self.process.returncode}, before {what}: {shown(self.words())}")
                return
            demand(time.monotonic() < until, f"{self.what}: no sign of {what}: {shown(self.words())}")
            time.sleep(GLANCE_S)

    def wait_words(self, words):
        self.wait(lambda: words in self.text(), repr(words))

    def wait_log(self, words):
        self.wait(lambda: words in self.bench.log(), f"{words!r} in the log")

    def wait_screen(self):
        """Until it plays and has taken the terminal: before, what is typed is not for it."""
        self.wait_log("ready: ")
        self.wait(lambda: "\x1b[?1049h" in self.text(), "the screen")

    def press(self, keys):
        """Types; a terminal that takes nothing for a while is no fault of the program."""
        data = keys if isinstance(keys, bytes) else keys.encode()
        _, writable, _ = select.select([], [self.master], [], 0.5)
        if writable:
            try:
                os.write(self.master, data[:256])
            except OSError:
                pass

    def resize(self, rows, columns):
        fcntl.ioctl(self.master, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))

    def send(self, number):
        if self.is_running():
            self.process.send_signal(number)

    def kill(self):
        self.send(signal.SIGKILL)
        self.process.wait()
        for listener in self.listeners:
            if self.master is None:
                listener.join(timeout=5)
        self.hang_up()

    def hang_up(self):
        """The terminal goes away."""
        master, self.master = self.master, None
        slave, self.slave = self.slave, None
        for end in (master, slave):
            if end is not None:
                os.close(end)

    def end(self, number=signal.SIGTERM, codes=(0,)):
        """Asks for the end, waits for it, and looks at what must hold then."""
        if number is not None:
            self.send(number)
        return self.ended(codes)

    def ended(self, codes=(0,)):
        try:
            code = self.process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            raise Fault(f"{self.what} does not end: {shown(self.words())}") from None
        for listener in self.listeners:
            if self.master is None:
                listener.join(timeout=5)
        check_panic(self.text() + self.error_text(), self.what)
        self.bench.check_crash()
        demand(code in codes, f"{self.what} ended with {code}: {shown(self.words())}")
        if self.slave is not None:
            modes = termios.tcgetattr(self.slave)
            demand(modes == self.modes, f"{self.what} leaves the terminal in other modes")
        if self.process.stdout is not None:
            check_words(bytes(self.seen), f"the output of {self.what}")
        if self.process.stderr is not None:
            check_words(bytes(self.errors), f"the error output of {self.what}")
        return code


# A line of the log that says where the show is: time, what moved it, call number.
PLACE = re.compile(r"^\d+:\d\d:\d\d\.\d+ (?:at|step|back|jump|loop)\b[^\n]*?(\d+\.\w+)", re.M)


def places(text):
    """Call numbers in the order in which the log confirmed them."""
    return PLACE.findall(text)


def snapshot(folder):
    """Everything in a folder: kind, mode, link count and content of each thing."""
    found = {}
    for path in sorted(pathlib.Path(folder).rglob("*")):
        status = path.lstat()
        if stat.S_ISLNK(status.st_mode):
            content = os.readlink(path)
        elif stat.S_ISREG(status.st_mode):
            content = hashlib.sha256(path.read_bytes()).hexdigest()
        else:
            content = ""
        # How many folders are in a folder depends on the file system.
        links = 0 if stat.S_ISDIR(status.st_mode) else status.st_nlink
        name = os.fsencode(str(path.relative_to(folder)))
        found[name] = (stat.S_IFMT(status.st_mode), stat.S_IMODE(status.st_mode), links, content)
    return found


def check_unchanged(before, folder, what):
    after = snapshot(folder)
    changed = [name for name in before.keys() | after.keys() if before.get(name) != after.get(name)]
    demand(not changed, f"{what} changed {sorted(changed)}")


def roll(seed, campaign, number):
    """The dice of one case, whatever ran before it."""
    return random.Random(f"{seed}/{campaign}/{number}")
