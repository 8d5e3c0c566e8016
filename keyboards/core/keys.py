"""The keys of a keyboard: their numbers, notes and names, and how a technician writes a set of them.

Keys are numbered from the bass, 1 upward, as their stamps are. Notes carry the names of scientific pitch
notation (C4 is middle C, A4 sounds at 440 Hz) and the note numbers of MIDI. Other keyboards than the full one
exist, so everything hangs on a compass: its first note and its count of keys. Which of its keys a set lacks
is not known here.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from keyboards.core.checked import items, number, whole
from keyboards.core.errors import MeasurementError

NOTES = ("C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B")
NOTES_PER_OCTAVE = 12

_SHARPS = frozenset({1, 3, 6, 8, 10})
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTALS = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}
_NAME = re.compile(r"([A-Ga-g])(#|♯|b|♭|)([0-9])")
_NUMBER = re.compile(r"[0-9]{1,4}")
_RANGE = re.compile(r"\s*(?:-|‐|‑|–|—|−|\.\.\.?|…|\bto\b)\s*", re.IGNORECASE)
_AND = re.compile(r"&|\+|\band\b", re.IGNORECASE)
_LONGEST = 2000  # characters: all 88 numbers written out take about 350

# The customary three sections of a full compass, by their last keys. Common practice without a standard.
_SECTIONS = (("bass", 26), ("middle", 60), ("treble", 88))
_FULL = 88

# Digits taken for each other on a worn stamp (6/9, 60/66, 80/88), and what a digit becomes upside down.
_CONFUSED = frozenset({frozenset("69"), frozenset("06"), frozenset("08")})
_TURNED = {"0": "0", "1": "1", "6": "9", "8": "8", "9": "6"}


@dataclass(frozen=True, slots=True)
class KeyRange:
    """Keys `first` to `last`, both included, under a name."""

    name: str
    first: int
    last: int

    @property
    def keys(self) -> range:
        return range(self.first, self.last + 1)


@dataclass(frozen=True, slots=True)
class Compass:
    """A keyboard's range: the MIDI number of its first note (21 is A0) and its count of keys.

    The first note lies between C0 and G9 (MIDI 12 to 127), and so does the last.
    """

    first_midi: int = 21
    count: int = 88

    def __post_init__(self) -> None:
        whole("first_midi", self.first_midi, 12, 127)
        whole("count", self.count, 1)
        if self.first_midi + self.count - 1 > 127:
            most = 128 - self.first_midi
            raise MeasurementError(
                "count must be at most {most} from {first_midi} up", most=most, first_midi=_note(self.first_midi)
            )

    @property
    def keys(self) -> range:
        return range(1, self.count + 1)

    @property
    def sharps(self) -> tuple[int, ...]:
        """The keys that are sharps; there are 36 of them among 88."""
        return tuple(key for key in self.keys if self.is_sharp(key))

    def midi(self, key: int) -> int:
        """The MIDI note number of a key: n + 20 on a full compass."""
        return whole("key", key, 1, self.count) + self.first_midi - 1

    def name(self, key: int) -> str:
        """The note of a key, such as A0 or C♯4."""
        return _note(self.midi(key))

    def is_sharp(self, key: int) -> bool:
        return self.midi(key) % NOTES_PER_OCTAVE in _SHARPS

    def frequency(self, key: int, a4: float = 440.0) -> float:
        """The pitch of a key in Hz in equal temperament, from the pitch of A4 (ISO 16: 440 Hz)."""
        return float(number("a4", a4, above=0) * 2 ** ((self.midi(key) - 69) / NOTES_PER_OCTAVE))

    def named(self, name: str) -> int:
        """The key of a note written C#3, C♯3, Db3, d♭3; as in scientific pitch, C♭4 is B3.

        MeasurementError when it is no note, or not on this compass.
        """
        found = _NAME.fullmatch(name.strip()) if isinstance(name, str) and len(name) <= _LONGEST else None
        if found is None:
            raise MeasurementError("{name} is not the name of a note: write A0, C4 or F♯5", name=_quoted(name))
        letter, accidental, octave = found.groups()
        step = _STEPS[letter.upper()] + _ACCIDENTALS[accidental]
        key = NOTES_PER_OCTAVE * (int(octave) + 1) + step - self.first_midi + 1
        if not 1 <= key <= self.count:
            raise MeasurementError("{name} is not on this keyboard: {ends}", name=_quoted(name), ends=self._ends())
        return key

    def parse(self, text: str) -> tuple[int, ...]:
        """The keys of a set written as "1-5, 12, C3 to G4, 80", sorted, each once.

        Numbers and notes, alone or as ranges with both ends included (-, – or "to"), parted by commas,
        semicolons, spaces or "and". MeasurementError with a sentence for the person who wrote it.
        """
        if not isinstance(text, str):
            raise MeasurementError("Write the keys as text, such as 1-5, 12, C3 to G4.")
        if len(text) > _LONGEST:
            raise MeasurementError("The list of keys is too long: at most {most} characters.", most=_LONGEST)
        keys: set[int] = set()
        for piece in re.split(r"[\s,;]+", _AND.sub(" ", _RANGE.sub("-", text))):
            if piece:
                keys.update(self._stretch(piece))
        if not keys:
            raise MeasurementError("No key is named. Write keys such as 1-5, 12, C3 to G4.")
        return tuple(sorted(keys))

    def sections(self) -> tuple[KeyRange, ...]:
        """Bass, middle and treble: 1 to 26, 27 to 60, 61 to 88 of 88 keys, in proportion on other compasses.

        A starting value by common practice. A section that a tiny keyboard has no key for is left out.
        """
        found = []
        first = 1
        for name, last_of_full in _SECTIONS:
            last = (2 * last_of_full * self.count + _FULL) // (2 * _FULL)  # rounded half up, in whole numbers
            if last >= first:
                found.append(KeyRange(name, first, last))
                first = last + 1
        return tuple(found)

    def lookalikes(self, key: int) -> tuple[int, ...]:
        """The keys whose stamped number may be read as this key's: 9 for 6, 66 for 60, 88 for 80.

        One digit of 6 and 9, 0 and 6 or 0 and 8 mistaken for the other, or the whole stamp read upside down
        (18 and 81, 19 and 61). Common practice: no source counts how often it happens. It works both ways.
        """
        stamp = str(whole("key", key, 1, self.count))
        return tuple(other for other in self.keys if other != key and _alike(stamp, str(other)))

    def _stretch(self, piece: str) -> Iterable[int]:
        ends = piece.split("-")
        if len(ends) == 1:
            return (self._key(piece),)
        if len(ends) > 2 or not all(ends):
            raise MeasurementError("{piece} is not a range of keys: write 1-5 or C3 to G4.", piece=_quoted(piece))
        first, last = self._key(ends[0]), self._key(ends[1])
        if last < first:
            raise MeasurementError(
                "{piece} runs from the treble to the bass: write {last}-{first}.",
                piece=_quoted(piece),
                last=ends[1],
                first=ends[0],
            )
        return range(first, last + 1)

    def _key(self, word: str) -> int:
        if _NUMBER.fullmatch(word):
            key = int(word)
            if not 1 <= key <= self.count:
                raise MeasurementError("There is no key {key} on this keyboard: {ends}.", key=key, ends=self._ends())
            return key
        if _NAME.fullmatch(word):
            return self.named(word)
        raise MeasurementError("{word} is neither the number of a key nor the name of a note.", word=_quoted(word))

    def _ends(self) -> str:
        return f"keys 1 to {self.count}, {self.name(1)} to {self.name(self.count)}"


def format_keys(keys: Iterable[int]) -> str:
    """A set of keys in short, "1–5, 12": sorted, each once, three or more in a row as a range."""
    given = list(keys) if isinstance(keys, set | frozenset) else items("keys", keys)
    numbers = sorted({whole("keys", key, 1) for key in given})
    runs: list[list[int]] = []
    for key in numbers:
        if runs and key == runs[-1][-1] + 1:
            runs[-1].append(key)
        else:
            runs.append([key])
    return ", ".join(f"{run[0]}–{run[-1]}" if len(run) > 2 else ", ".join(str(key) for key in run) for run in runs)


def _note(midi: int) -> str:
    return f"{NOTES[midi % NOTES_PER_OCTAVE]}{midi // NOTES_PER_OCTAVE - 1}"


def _alike(stamp: str, other: str) -> bool:
    if len(stamp) != len(other):
        return False
    if all(digit in _TURNED for digit in stamp) and other == "".join(_TURNED[d] for d in reversed(stamp)):
        return True
    differing = [frozenset(pair) for pair in zip(stamp, other, strict=True) if pair[0] != pair[1]]
    return len(differing) == 1 and differing[0] in _CONFUSED


def _quoted(value: object) -> str:
    """What was written, short and printable: it goes back to the page of the one who wrote it."""
    text = value if isinstance(value, str) else type(value).__name__
    shown = "".join(character if character.isprintable() else "?" for character in text[:20])
    return f"“{shown}{'…' if len(text) > 20 else ''}”"
