"""Numbers, notes and names of keys, and sets of keys as a technician writes them.

Note names: scientific pitch notation. A4 = 440 Hz: ISO 16:1975. Sections and lookalike stamps are common practice.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from keyboards.core.errors import MeasurementError
from keyboards.core.keys import Compass, KeyRange, format_keys

FULL = Compass()
COMPASSES = [FULL, Compass(21, 85), Compass(28, 73), Compass(36, 61), Compass(12, 97), Compass(60, 1)]
compasses = st.integers(12, 127).flatmap(lambda first: st.builds(Compass, st.just(first), st.integers(1, 128 - first)))


@pytest.mark.parametrize(
    ("key", "name", "midi"), [(1, "A0", 21), (2, "A♯0", 22), (40, "C4", 60), (49, "A4", 69), (88, "C8", 108)]
)
def test_a_full_compass_runs_from_a0_to_c8(key, name, midi):
    assert (FULL.name(key), FULL.midi(key)) == (name, midi)


def test_a4_sounds_at_440_and_an_octave_doubles():
    assert FULL.frequency(49) == 440.0
    assert FULL.frequency(37) == 220.0
    assert FULL.frequency(49, a4=442) == 442.0
    for key in range(1, 77):
        assert FULL.frequency(key + 12) == pytest.approx(2 * FULL.frequency(key), rel=1e-14)


def test_36_of_88_keys_are_sharps():
    assert len(FULL.sharps) == 36
    assert set(FULL.sharps) == {n for n in range(1, 89) if (n + 20) % 12 in {1, 3, 6, 8, 10}}
    assert {FULL.name(key)[1] for key in FULL.sharps} == {"♯"}


@pytest.mark.parametrize(
    ("compass", "first", "last"),
    [(Compass(21, 85), "A0", "A7"), (Compass(28, 73), "E1", "E7"), (Compass(36, 61), "C2", "C7")],
)
def test_other_compasses_keep_their_notes(compass, first, last):
    assert (compass.name(1), compass.name(compass.count)) == (first, last)


@given(compasses)
def test_every_name_leads_back_to_its_key(compass):
    for key in compass.keys:
        name = compass.name(key)
        assert compass.named(name) == compass.named(name.replace("♯", "#").lower()) == key


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("C#3", "C♯3"),
        ("c♯3", "C♯3"),
        ("Db3", "C♯3"),
        ("d♭3", "C♯3"),
        (" bb3 ", "A♯3"),
        ("Cb4", "B3"),
        ("B#3", "C4"),
        ("E#4", "F4"),
        ("Fb4", "E4"),
    ],
)
def test_a_note_is_understood_as_it_is_written(written, name):
    assert FULL.name(FULL.named(written)) == name


@pytest.mark.parametrize(
    "written",
    ["", "H3", "C", "4", "C##4", "C10", "C４", "C4\x00", "C-1", pytest.param("x" * 10**6, id="endless"), None, 40],
)
def test_what_is_no_note_is_refused_in_a_short_sentence(written):
    with pytest.raises(MeasurementError, match="is not the name of a note") as refused:
        FULL.named(written)
    assert len(str(refused.value)) < 120
    assert "\x00" not in str(refused.value)


@pytest.mark.parametrize("written", ["G♯0", "C♯8", "B#8", "A9"])
def test_a_note_beyond_the_ends_is_refused(written):
    with pytest.raises(MeasurementError, match="keys 1 to 88, A0 to C8"):
        FULL.named(written)


@pytest.mark.parametrize("key", [0, 89, -1, 1.0, True, "40", None])
def test_a_key_beyond_the_ends_has_no_note(key):
    for ask in (FULL.name, FULL.midi, FULL.frequency, FULL.is_sharp, FULL.lookalikes):
        with pytest.raises(MeasurementError, match=r"^key must be"):
            ask(key)


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ({"count": 0}, "count"),
        ({"count": 108}, "count"),
        ({"count": 88.0}, "count"),
        ({"first_midi": 11}, "first_midi"),
        ({"first_midi": 128}, "first_midi"),
        ({"first_midi": "21"}, "first_midi"),
    ],
)
def test_a_compass_has_notes_that_exist(arguments, named):
    with pytest.raises(MeasurementError, match=f"^{named} must be"):
        Compass(**arguments)


def test_a_compass_cannot_be_changed():
    with pytest.raises(AttributeError):
        FULL.count = 85


@pytest.mark.parametrize("a4", [0, -440, float("nan"), "440"])
def test_a_pitch_that_is_none_is_refused(a4):
    with pytest.raises(MeasurementError, match=r"^a4 must be"):
        FULL.frequency(49, a4=a4)


@pytest.mark.parametrize(
    ("written", "keys"),
    [
        ("1-5, 12, C3 to G4, 80", (*range(1, 6), 12, *range(28, 48), 80)),
        ("12", (12,)),
        (" 12 ; 3\n7 ", (3, 7, 12)),
        ("5, 5, 4-6", (4, 5, 6)),
        ("1–3, 7—8, 10 − 11, 20..22", (1, 2, 3, 7, 8, 10, 11, 20, 21, 22)),
        ("1 TO 3 and 7 & 9", (1, 2, 3, 7, 9)),
        ("A0-C1", (1, 2, 3, 4)),
        ("87 to C8", (87, 88)),
        ("Db3", (29,)),
        ("1-88", tuple(range(1, 89))),
    ],
)
def test_a_set_of_keys_is_read_as_it_is_written(written, keys):
    assert FULL.parse(written) == keys


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("", "No key is named"),
        (" , ; ", "No key is named"),
        ("89", "There is no key 89 on this keyboard: keys 1 to 88"),
        ("0", "There is no key 0"),
        ("5-1", "runs from the treble to the bass: write 1-5"),
        ("C4 to C3", "write C3-C4"),
        ("1-2-3", "“1-2-3” is not a range"),
        ("-5", "“-5” is not a range"),
        ("7 to", "“7-” is not a range"),
        ("H3", "“H3” is neither"),
        ("C9", "“C9” is not on this keyboard"),
        ("12a", "“12a” is neither"),
        ("99999", "“99999” is neither"),
        ("1.5", "“1.5” is neither"),
        ("１２", "“１２” is neither"),
        ("1\x00", "“1?” is neither"),
        pytest.param("1," * 1001, "too long", id="endless"),
    ],
)
def test_what_cannot_be_read_is_answered_with_a_sentence(written, said):
    with pytest.raises(MeasurementError) as refused:
        FULL.parse(written)
    assert said in str(refused.value)
    assert str(refused.value).isprintable()


@pytest.mark.parametrize("written", [None, 12, b"12", ["1-5"]])
def test_only_text_is_read_as_a_set_of_keys(written):
    with pytest.raises(MeasurementError, match="as text"):
        FULL.parse(written)


@given(st.text(max_size=60))
def test_any_text_gives_keys_or_a_sentence(text):
    try:
        keys, sentence = FULL.parse(text), ""
    except MeasurementError as refused:
        keys, sentence = (), str(refused)
    assert keys == tuple(sorted(set(keys)))
    assert set(keys) <= set(FULL.keys)
    assert bool(keys) != (10 < len(sentence) < 200)


@given(st.sets(st.integers(1, 88), min_size=1))
def test_a_set_written_in_short_reads_back_the_same(keys):
    assert FULL.parse(format_keys(keys)) == tuple(sorted(keys))


@pytest.mark.parametrize(
    ("keys", "short"),
    [
        ((1, 2, 3, 4, 5, 12), "1–5, 12"),
        ((12, 5, 4, 3, 2, 1, 1), "1–5, 12"),
        ({7}, "7"),
        ((7, 8), "7, 8"),
        ((7, 8, 9), "7–9"),
        ((), ""),
        (range(1, 89), "1–88"),
    ],
)
def test_keys_are_written_in_short(keys, short):
    assert format_keys(keys) == short


@pytest.mark.parametrize("keys", ["1-5", None, 5, [0], [1.0], [True], {"1", 2}])
def test_only_keys_are_written_in_short(keys):
    with pytest.raises(MeasurementError, match=r"^keys must be"):
        format_keys(keys)


def test_a_full_compass_has_its_customary_sections():
    assert FULL.sections() == (
        KeyRange("bass", 1, 26),
        KeyRange("middle", 27, 60),
        KeyRange("treble", 61, 88),
    )


@given(compasses)
def test_sections_cover_every_key_once(compass):
    covered = [key for section in compass.sections() for key in section.keys]
    assert covered == list(compass.keys)
    for section, share in zip(compass.sections(), (26, 34, 28), strict=False):
        if compass.count >= 12:
            assert len(section.keys) == pytest.approx(compass.count * share / 88, abs=1)


@pytest.mark.parametrize(("one", "other"), [(6, 9), (60, 66), (80, 88), (16, 19), (18, 81), (19, 61), (66, 69)])
def test_stamps_that_are_misread_point_at_each_other(one, other):
    assert other in FULL.lookalikes(one)
    assert one in FULL.lookalikes(other)


@given(compasses)
def test_lookalikes_go_both_ways_and_stay_on_the_keyboard(compass):
    for key in compass.keys:
        others = compass.lookalikes(key)
        assert key not in others
        assert all(key in compass.lookalikes(other) for other in others)


@pytest.mark.parametrize("key", [1, 8, 11, 25, 77, 84])
def test_a_plain_stamp_has_no_lookalike(key):
    assert FULL.lookalikes(key) == ()
