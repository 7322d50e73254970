"""What counts as a failure of the program, whatever it was asked to do."""

import json
import unicodedata
import xml.etree.ElementTree


class Fault(Exception):
    """Something that must never happen, in words."""


def demand(is_true, words):
    if not is_true:
        raise Fault(words)


def shown(text, limit=400):
    """Output as a failure shows it: escaped, the end of it."""
    text = text if len(text) <= limit else "…" + text[-limit:]
    return "".join(c if c == "\n" or is_plain(c) else f"\\u{{{ord(c):x}}}" for c in text)


# Bidirectional controls: Unicode Bidirectional Algorithm (UAX 9), 2. Line separators and
# noncharacters: the Unicode Standard, 5.8 and 23.7 (from memory).
BIDI = {0x61C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A)}
BREAKS = {0x2028, 0x2029, 0xFEFF}


def is_plain(c):
    """Whether a character may be shown: it commands no terminal and turns no text round."""
    code = ord(c)
    if code in BIDI or code in BREAKS or code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF:
        return False
    return unicodedata.category(c) not in ("Cc", "Cs")


def check_words(data, what):
    """Words for people: UTF-8, lines of characters that can be shown."""
    try:
        text = data.decode()
    except UnicodeDecodeError as error:
        raise Fault(f"{what} is not UTF-8: {error}") from error
    bad = next((c for c in text if c != "\n" and not is_plain(c)), None)
    if bad is not None:
        at = text.index(bad)
        raise Fault(f"{what} holds U+{ord(bad):04X}: {shown(text[max(0, at - 80):at + 80])!r}")
    return text


def check_panic(text, what):
    demand("panicked at" not in text, f"a panic in {what}: {shown(text)}")


def check_json(data, what):
    try:
        return json.loads(data.decode())
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise Fault(f"{what} is not JSON: {error}; {shown(data.decode(errors='replace'))}") from error


def check_json_lines(data, what):
    lines = [line for line in data.split(b"\n") if line]
    return [check_json(line, what) for line in lines]


def check_svg(path):
    data = path.read_bytes()
    try:
        xml.etree.ElementTree.fromstring(data)
    except xml.etree.ElementTree.ParseError as error:
        raise Fault(f"{path.name} is not well-formed: {error}") from error
    check_words(data, path.name)
