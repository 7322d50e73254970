"""The built-in General MIDI names beside those of pretty_midi 0.2.11 (not ours).

Order and wording must agree but for the names listed here, all but one word for word:
there the standard (GM2 v1.2a, appendices A and B) is spelt otherwise than the library.

Prints `N passed, N failed`.
"""

import importlib.metadata
import importlib.util
import pathlib
import sys

ROOT = pathlib.Path(__file__).resolve().parent.parent

# Displayed number: (ours, the library's).
PROGRAM_SPELLINGS = {
    51: ("SynthStrings 1", "Synth Strings 1"),
    52: ("SynthStrings 2", "Synth Strings 2"),
    55: ("Synth Voice", "Synth Choir"),
    77: ("Blown Bottle", "Blown bottle"),
    84: ("Lead 4 (chiff)", "Lead 4 chiff"),
    110: ("Bag pipe", "Bagpipe"),
}

# The library calls this program by the trade name of one maker's instrument, which has no
# place here: our name is that of the standard, and the library's is only another one.
PROGRAM_BY_STANDARD = {8: "Clavi"}

# Key number: (ours, the library's).
PERCUSSION_SPELLINGS = {
    42: ("Closed Hi-hat", "Closed Hi Hat"),
    44: ("Pedal Hi-hat", "Pedal Hi Hat"),
    46: ("Open Hi-hat", "Open Hi Hat"),
    48: ("High Mid Tom", "Hi-Mid Tom"),
    58: ("Vibra-slap", "Vibraslap"),
    60: ("High Bongo", "Hi Bongo"),
}

passed = 0
failed = 0


def check(name, is_true, detail=""):
    global passed, failed
    if is_true:
        passed += 1
    else:
        failed += 1
        print(f"FAILED {name} {detail}")


def constants():
    """The library's tables alone: importing all of it would need far more packages."""
    files = importlib.metadata.files("pretty_midi")
    path = next(file for file in files if file.name == "constants.py").locate()
    spec = importlib.util.spec_from_file_location("constants", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def rows(name):
    lines = (ROOT / "assets" / name).read_text(encoding="utf-8").splitlines()
    return [line.split("\t") for line in lines if line and not line.startswith("#")]


def compare(what, ours, theirs, spellings):
    """Each pair is equal, or exactly the pair that is listed."""
    for number in sorted(ours.keys() | theirs.keys()):
        pair = (ours.get(number), theirs.get(number))
        is_listed = spellings.get(number) == pair and pair[0] != pair[1]
        is_equal = pair[0] == pair[1] and number not in spellings
        check(f"{what} {number}", is_listed or is_equal, pair)


def main():
    library = constants()
    programs = rows("gm_programs.txt")
    check("128 programs", len(programs) == 128 == len(library.INSTRUMENT_MAP))
    for at, (value, number, family, _) in enumerate(programs):
        check(f"program {at + 1}: numbers", (int(value), int(number)) == (at, at + 1))
        check(f"program {at + 1}: family", family == library.INSTRUMENT_CLASSES[at // 8], family)
    ours = {int(number): name for _, number, _, name in programs}
    theirs = dict(enumerate(library.INSTRUMENT_MAP, 1))
    for number, name in PROGRAM_BY_STANDARD.items():
        own, other = ours.pop(number), theirs.pop(number)
        check(f"program {number}", own == name != other, own)
    compare("program", ours, theirs, PROGRAM_SPELLINGS)

    ours = {int(key): name for key, name in rows("gm_percussion.txt")}
    check("47 percussion keys from 35", list(ours) == list(range(35, 82)))
    compare("percussion key", ours, dict(enumerate(library.DRUM_MAP, 35)), PERCUSSION_SPELLINGS)

    print(f"{passed} passed, {failed} failed")
    return failed != 0


sys.exit(main())
