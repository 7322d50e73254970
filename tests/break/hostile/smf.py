"""Standard MIDI Files, well-formed and not (SMF 1.0)."""

import struct

END = b"\xff\x2f\x00"


def number(value):
    """A variable-length quantity."""
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(0x80 | value & 0x7F)
    return bytes(reversed(out))


def counted(data):
    return number(len(data)) + data


def mark(words):
    return b"\xff\x06" + counted(words if isinstance(words, bytes) else words.encode())


def track(events, name=None, end=END):
    """Events as (ticks after the one before, bytes)."""
    body = b"" if name is None else b"\x00\xff\x03" + counted(name if isinstance(name, bytes) else name.encode())
    for delta, data in events:
        body += number(delta) + data
    return chunk(b"MTrk", body + (b"\x00" + end if end else b""))


def chunk(kind, body, length=None):
    return kind + struct.pack(">I", len(body) if length is None else length) + body


def file(tracks, format=1, division=500, count=None):
    """With a division of 500 and the usual tempo of 500,000 µs, a tick is a millisecond."""
    count = len(tracks) if count is None else count
    return chunk(b"MThd", struct.pack(">HHH", format, count, division)) + b"".join(tracks)


def steps(times_ms):
    """A recording that steps at these times, in milliseconds from its start."""
    last, events = 0, []
    for at in times_ms:
        events.append((at - last, mark("step")))
        last = at
    return file([track(events, "")])


def malformed(rng):
    """A recording with something wrong with it, or with much that is right."""
    keys = track(
        [(0, b"\x90\x3c\x64"), (200, b"\x80\x3c\x40"), (10, b"\xb0\x40\x7f"), (10, b"\xb0\x40\x00")], "keys"
    )
    words = ["step", "back", "jump first-song/split", "place 1.2", "panic", "end note synth 1 60"]
    hostile = ["jump \x1b[31m/x", "place \u202e1.1", "mute " + "x" * 3000, "loop 9.9 1.1", "step 2", "\x9b", ""]
    marks = track([(rng.randrange(300), mark(rng.choice(words + hostile))) for _ in range(8)], "")
    good = file([marks, keys])
    kinds = [
        lambda: good[: rng.randrange(len(good))],
        lambda: flipped(rng, good),
        lambda: flipped(rng, flipped(rng, flipped(rng, good))),
        lambda: file([marks, keys], format=rng.choice([0, 2, 3, 0xFFFF])),
        lambda: file([marks, keys], division=rng.choice([0, 1, 0x7FFF, 0x8000, 0xE728, 0xE200, 0xFFFF])),
        lambda: file([], count=rng.choice([0, 1, 0xFFFF])),
        lambda: file([marks] + [track([], f"keys {at}") for at in range(rng.choice([250, 256, 300]))]),
        lambda: file([chunk(b"MTrk", b"\x00\x90\x3c\x64", length=rng.choice([0, 3, 5, 2**31, 2**32 - 1]))]),
        lambda: file([track([(0, b"\x3c\x64")], "keys")]),
        lambda: file([track([(0, b"\xf0\x05\x7d\x01"), (0, b"\xf7\x01\xf7")], "keys")]),
        lambda: file([track([(0xFFFFFFF, b"\x90\x3c\x64")] * 9, "keys")]),
        lambda: file([track([(0, b"\xff\x51\x03" + tempo), (100, mark("step"))], "") for tempo in (b"\0\0\0", b"\xff\xff\xff")]),
        lambda: file([track([(0, b"\xff\xff\xff\xff\x7f")], "keys")]),
        lambda: file([track([(0, b"\x90\x3c\x64")], name, end=None) for name in (b"\xff\xfe", b"k\x1b]0;x\x07", "\u202ekeys".encode(), b"")]),
        lambda: file([track([(0, bytes([0x90, key, 100])) for key in range(128)] * 20, "keys")]),
        lambda: b"RIFF" + chunk(b"RMID", good),
        lambda: good + chunk(b"junk", b"x" * 99) + b"tail",
        lambda: bytes(rng.randrange(256) for _ in range(rng.randrange(400))),
        lambda: file([marks, keys, track([(0, b"\x90\x3c\x64"), (9, b"\x80\x3c\x40")], "out synth cable")]),
    ]
    return rng.choice(kinds)()


def flipped(rng, data):
    data = bytearray(data)
    data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    return bytes(data)
