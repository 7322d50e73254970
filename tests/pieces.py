"""Real music as recordings: pieces of music21's own corpus (music21 9.9.1, a library for
musicology), as two hands with a hold pedal each, and steps at random places.

Writes one Standard MIDI File a piece: the upper half of its parts as track `upper`, the
lower half as track `lower`, and markers `step` and `back`. Everything follows from the
seed. The files are made when they are needed and never kept with the program; files made
before, of the same kind, are taken as they are.

Usage: pieces.py FOLDER [COUNT] [SEED]; makes FOLDER/NAME of what they are made from, and
prints that path as its last line.
"""

import hashlib
import pathlib
import random
import sys
import warnings

import mido
import music21

TICKS = 480
TEMPO_US = 500_000
# Files larger than this are symphonies and take long to read.
LARGEST_BYTES = 10_000
# Notes of a piece: fewer show little, more take long.
FEWEST, MOST = 120, 1_200
# Steps a piece, and how many of its markers go back instead.
STEPS = 30
BACK_SHARE = 0.2
# Half of the steps fall this close to a key that goes down or up.
CLOSE_TICKS = 20
# A pedal goes down a little after the beat, as it is taught, in so many half bars.
HALF_BAR = 2 * TICKS
PEDAL_AFTER = 60
PEDAL_SHARE = 0.6
# Notes without a length, as ornaments are.
ORNAMENT = 40
# Parts of the corpus that hold no pieces.
NO_PIECES = {"demos", "theoryExercises"}


def strikes(parts, chance):
    """Start, end, key and velocity of all notes of some parts."""
    found = []
    for part in parts:
        for note in part.stripTies().flatten().notes:
            # Chord symbols are words above the staff, and drums have no keys.
            if isinstance(note, music21.harmony.Harmony) or not hasattr(note, "pitches"):
                continue
            start = round(float(note.offset) * TICKS)
            length = max(ORNAMENT, round(float(note.quarterLength) * TICKS))
            velocity = chance.randint(30, 120)
            for pitch in note.pitches:
                if 0 <= pitch.midi <= 127:
                    found.append((start, start + length, pitch.midi, velocity))
    return found


def of_one_hand(found):
    """The same, as one hand can play it: a key that is down is struck again, and stays
    down as long as any of its notes lasts."""
    by_key = {}
    for start, end, key, velocity in sorted(found):
        notes = by_key.setdefault(key, [])
        if notes and notes[-1][0] == start:
            notes[-1][1] = max(notes[-1][1], end)
        elif notes and notes[-1][1] > start:
            end = max(end, notes[-1][1])
            notes[-1][1] = start
            notes.append([start, end, velocity])
        else:
            notes.append([start, end, velocity])
    return [(s, e, key, v) for key, notes in by_key.items() for s, e, v in notes]


def hand(name, notes, chance):
    """One track: keys and a pedal, in order of time."""
    moments = []
    for start, end, key, velocity in notes:
        # Key-ups come before key-downs of the same moment.
        moments.append((end, 0, mido.Message("note_off", note=key, velocity=64)))
        moments.append((start, 1, mido.Message("note_on", note=key, velocity=velocity)))
    last = max(end for _, end, _, _ in notes)
    for start in range(0, last, HALF_BAR):
        if chance.random() < PEDAL_SHARE:
            for at, value in ((start + PEDAL_AFTER, 127), (start + HALF_BAR, 0)):
                moments.append((at, 2, mido.Message("control_change", control=64, value=value)))
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name, time=0)])
    at = 0
    for tick, _, message in sorted(moments, key=lambda moment: moment[:2]):
        track.append(message.copy(time=tick - at))
        at = tick
    return track


def marks(notes, chance):
    """Steps at random places, some of them back; half of them close to a note's ends."""
    last = max(end for _, end, _, _ in notes)
    ends = [tick for start, end, _, _ in notes for tick in (start, end)]
    places = [chance.randint(1, last) for _ in range(STEPS - STEPS // 2)]
    for _ in range(STEPS // 2):
        places.append(max(1, chance.choice(ends) + chance.randint(-CLOSE_TICKS, CLOSE_TICKS)))
    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=TEMPO_US, time=0)])
    at = 0
    for tick in sorted(places):
        text = "back" if chance.random() < BACK_SHARE else "step"
        track.append(mido.MetaMessage("marker", text=text, time=tick - at))
        at = tick
    return track


def recording(score, chance):
    """A piece as a file, and how many notes it has; nothing if it is no piece for two hands."""
    parts = list(getattr(score, "parts", []))
    if len(parts) < 2:
        return None
    middle = (len(parts) + 1) // 2
    hands = [of_one_hand(strikes(half, chance)) for half in (parts[:middle], parts[middle:])]
    count = sum(map(len, hands))
    if not all(hands) or not FEWEST <= count <= MOST:
        return None
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    file.tracks.append(marks(hands[0] + hands[1], chance))
    file.tracks.extend(hand(name, notes, chance) for name, notes in zip(("upper", "lower"), hands))
    return file, count


def candidates(chance):
    """Files of the corpus, in turn from each of its folders."""
    root = pathlib.Path(music21.common.getCorpusFilePath())
    shelves = []
    for folder in sorted(path for path in root.iterdir() if path.is_dir()):
        if folder.name in NO_PIECES:
            continue
        paths = sorted(
            path
            for path in folder.rglob("*")
            if path.suffix in (".mxl", ".xml", ".musicxml", ".krn")
            and path.stat().st_size <= LARGEST_BYTES
        )
        chance.shuffle(paths)
        if paths:
            shelves.append((folder.name, paths))
    while shelves:
        for name, paths in shelves:
            yield name, paths.pop()
        shelves = [(name, paths) for name, paths in shelves if paths]


def make(folder, count, seed):
    made = 0
    chance = random.Random(seed)
    for shelf, path in candidates(chance):
        try:
            score = music21.converter.parse(path, storePickle=False)
            piece = recording(score, random.Random(f"{seed} {shelf} {path.parent.name} {path.name}"))
        except Exception as error:  # Not every file of the corpus can be read.
            print(f"left out {shelf}/{path.name}: {type(error).__name__}")
            continue
        if piece is None:
            continue
        file, notes = piece
        name = f"{made:02}-{shelf}-{path.stem}.mid"
        file.save(folder / name)
        print(f"{name}: {notes} notes")
        made += 1
        if made == count:
            return
    sys.exit(f"only {made} of {count} pieces could be made")


def main():
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 40
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    warnings.simplefilter("ignore")
    maker = hashlib.sha256(pathlib.Path(__file__).read_bytes()).hexdigest()[:12]
    folder = pathlib.Path(sys.argv[1]) / f"{seed}-{count}-{music21.__version__}-{maker}"
    is_done = folder / "done"
    if not is_done.exists():
        folder.mkdir(parents=True, exist_ok=True)
        for left in folder.glob("*.mid"):
            left.unlink()
        make(folder, count, seed)
        is_done.write_text("")
    print(f"seed {seed}")
    print(folder)


if __name__ == "__main__":
    main()
