"""Pitch and note numbers against the MIDI Tuning Standard.

MIDI Tuning Standard, MIDI Manufacturers Association, 1992 (in The Complete MIDI 1.0 Detailed Specification):
f = 440 Hz 2^((d - 69)/12) for note number d. Some frequencies printed there are wrongly rounded (a known erratum),
so the table below holds correctly rounded values of equal temperament at A4 = 440 Hz (ISO 16:1975).
"""

import pytest

from keyboards.core.keys import Compass

# note number: name, Hz to four places
FREQUENCIES = {
    12: ("C0", 16.3516),
    21: ("A0", 27.5000),
    24: ("C1", 32.7032),
    36: ("C2", 65.4064),
    48: ("C3", 130.8128),
    60: ("C4", 261.6256),
    61: ("C♯4", 277.1826),
    66: ("F♯4", 369.9944),
    69: ("A4", 440.0000),
    70: ("A♯4", 466.1638),
    72: ("C5", 523.2511),
    96: ("C7", 2093.0045),
    108: ("C8", 4186.0090),
    120: ("C9", 8372.0181),
    127: ("G9", 12543.8540),
}
WHOLE = Compass(first_midi=12, count=116)


@pytest.mark.parametrize("note", FREQUENCIES)
def test_a_note_number_has_its_name_and_frequency(note):
    name, frequency = FREQUENCIES[note]
    key = WHOLE.named(name)
    assert WHOLE.midi(key) == note
    assert WHOLE.name(key) == name
    assert WHOLE.frequency(key) == pytest.approx(frequency, abs=5e-5)


@pytest.mark.parametrize("note", range(12, 128))
def test_the_formula_holds_for_every_note(note):
    assert WHOLE.frequency(note - 11) == pytest.approx(440 * 2 ** ((note - 69) / 12), rel=1e-14)


def test_a_piano_of_88_keys_holds_notes_21_to_108():
    piano = Compass()
    assert [piano.midi(key) for key in piano.keys] == list(range(21, 109))
    assert (piano.frequency(1), piano.frequency(49)) == (27.5, 440.0)
    assert piano.frequency(88) == pytest.approx(4186.0090, abs=5e-5)
