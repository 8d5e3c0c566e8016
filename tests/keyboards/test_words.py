"""What the arithmetic says, in the reader's language."""

import ast
from pathlib import Path

import pytest

from keyboards import words
from keyboards.core.checked import number
from keyboards.core.errors import MeasurementError
from keyboards.core.keys import Compass

CORE = Path(words.__file__).parent / "core"


def test_a_refusal_of_the_core_is_said_in_another_language(monkeypatch):
    catalogue = {"{name} must be at most {maximum:g}, not {result}": "{name} darf {maximum:g} nicht überschreiten"}
    monkeypatch.setattr(words, "_", lambda text: catalogue.get(text, text))
    with pytest.raises(MeasurementError, match="width must be at most 5, not 7") as caught:
        number("width", 7, maximum=5)
    assert words.wrong_with(caught.value) == "width darf 5 nicht überschreiten"


def test_what_a_person_typed_is_never_taken_for_a_place_to_fill():
    with pytest.raises(MeasurementError) as caught:
        Compass().parse("{name} %s 3")
    assert "{name}" in str(caught.value)
    assert words.wrong_with(caught.value) == str(caught.value)


def test_every_refusal_of_the_core_can_be_collected_for_translation():
    """xgettext reads only what is written out: neither an f-string nor a name."""
    told = [
        call.args[0]
        for path in CORE.glob("*.py")
        for call in ast.walk(ast.parse(path.read_text()))
        if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "MeasurementError"
    ]
    assert len(told) > 80
    assert [ast.unparse(one) for one in told if not isinstance(one, ast.Constant)] == []
