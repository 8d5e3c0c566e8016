"""The trade's slugs in words: quantities, and why an entry is not kept."""

from collections.abc import Mapping
from functools import lru_cache

from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from keyboards.core.entries import Problem
from keyboards.core.errors import Length, MeasurementError
from keyboards.core.quantities import ANGLE, LENGTH, QUANTITIES, show

QUANTITY_TITLES: Mapping[str, str | Promise] = {
    "balance_mortise_width": gettext_lazy("Balance mortise width"),
    "front_mortise_width": gettext_lazy("Front mortise width"),
    "balance_pin": gettext_lazy("Balance pin"),
    "front_pin": gettext_lazy("Front pin"),
    "side_play": gettext_lazy("Side play at the fingertip"),
    "button_length": gettext_lazy("Button length"),
    "button_width": gettext_lazy("Button width"),
    "button_height": gettext_lazy("Button height"),
    "slot_length": gettext_lazy("Slot length"),
    "mortise_offset": gettext_lazy("Mortise off the middle"),
    "skew": gettext_lazy("Mortise skew"),
    "splay": gettext_lazy("Key splay"),
    "dip": gettext_lazy("Key dip"),
    "level": gettext_lazy("Level"),
    "down_weight": gettext_lazy("Down weight"),
    "up_weight": gettext_lazy("Up weight"),
}


def wrong_with(error: MeasurementError, unit: str = "mm") -> str:
    """What the arithmetic says, in the reader's language and unit of length."""
    told = {name: value.told_in(unit) if isinstance(value, Length) else value for name, value in error.values.items()}
    return _(error.template).format(**told) if told else _(error.template)


def quantity_title(quantity: str) -> str:
    """The quantity in words; one we do not know stays as it is."""
    return str(QUANTITY_TITLES.get(quantity, quantity))


def entry_unit(quantity: str, person_unit: str) -> str:
    """The unit this person types a quantity in: mm, in, deg or g."""
    dimension = QUANTITIES[quantity].dimension
    return person_unit if dimension == LENGTH else dimension


def unit_sign(unit: str) -> str:
    """A unit as it is written beside a figure."""
    return "°" if unit == ANGLE else unit


@lru_cache(maxsize=8192)  # a sheet has a thousand, mostly those of the last look at it
def figure(quantity: str, canonical: int, unit: str) -> str:
    """A reading as text, in that unit: as many decimals as it has, at least those the quantity is shown with.

    So a micrometer's 3.708 mm keeps its last figure and a caliper's 5.6 is written 5.60. Inches have three or four.
    """
    known = QUANTITIES[quantity]
    least, most = (3, 4) if unit == "in" else (known.decimals, 3)
    text = show(canonical, unit, most)
    while most > least and text.endswith("0"):
        text, most = text[:-1], most - 1
    return text.rstrip(".") if least == 0 else text


def sentence(problem: Problem, unit: str = "mm") -> str:
    """Why an entry is not kept, for the person who made it."""
    numbers = dict(problem.numbers)
    if problem.reason == "pin_does_not_enter":
        for name in ("mortise", "pin"):
            numbers[name] = figure("balance_pin", int(str(numbers[name])), unit)
        numbers["unit"] = unit
    elif "unit" in numbers:
        numbers["unit"] = unit_sign(str(numbers["unit"]))
    return _sentences()[problem.reason] % numbers


def _sentences() -> Mapping[str, str]:
    return {
        "not_an_object": _("This entry is not in a form we can read."),
        "op_not_a_uuid": _("This entry has no proper number of its own."),
        "of_not_a_uuid": _("It is not said which entry is withdrawn."),
        "unknown_kind": _("This is no kind of entry we know."),
        "key_not_whole": _("The key must be a whole number."),
        "no_such_key": _("There is no key %(key)s: this set has keys 1 to %(count)s."),
        "key_missing": _("Key %(key)s did not come with this set."),
        "seq_not_whole": _("The running number of this entry must be a whole number."),
        "taken_at_not_a_moment": _("It is not said when this was entered."),
        "clock_ahead": _("The clock of this tablet is more than a day ahead. Set it right and enter it again."),
        "unknown_quantity": _("This is no quantity we know."),
        "unit_does_not_fit": _("The unit does not fit: use %(units)s."),
        "value_not_text": _("A reading must be sent as text, such as 5.62."),
        "not_a_number": _("“%(typed)s” is not a number such as 5.62."),
        "impossible": _("%(typed)s %(unit)s cannot be right: %(low)s to %(high)s %(unit)s is possible. Look again."),
        "gauge_order": _("The gauge that does not enter (%(high)s) must be larger than the one that does (%(low)s)."),
        "unknown_instrument": _("We have no such measuring instrument."),
        "unknown_finding": _("This finding is not on the shop's list."),
        "severity_0_to_3": _("Severity runs from 0 to 3."),
        "grade_0_to_3": _("The grade runs from 0 to 3."),
        "grade_needs_a_word": _("Say in a word why the grade is another one than the findings make it."),
        "text_not_text": _("The text is not in a form we can read."),
        "text_too_long": _("The text is longer than %(most)s characters."),
        "text_not_plain": _("The text holds signs that cannot be written down."),
        "pin_does_not_enter": _(
            "The pin would not enter: the mortise (%(mortise)s %(unit)s) must be wider than the pin (%(pin)s %(unit)s)."
            " Look again."
        ),
        "file_too_large": _("The file is larger than %(size)s MB."),
        "file_not_text": _("This is no file of text."),
        "file_empty": _("There is nothing in it."),
        "no_header": _("The first line must name the columns: %(header)s."),
        "unknown_column": _("There is no column “%(name)s” in a sheet of readings."),
        "column_twice": _("A column is named twice."),
        "too_many_lines": _("There are more than %(most)s lines."),
        "cell_never_ends": _("From line %(line)s on, a quotation mark is never closed."),
        "too_many_cells": _("More cells than columns: is there a comma in a text without quotation marks?"),
        "no_key_column": _("Say which column names the key: its number or its note."),
        "no_rows": _("There is nothing under the first line, which names the columns."),
        "too_many_columns": _("There are more than %(most)s columns. Does the first line name them?"),
        "no_key_named": _("“%(text)s” is no key: write its number or its note, such as 41 or C♯4."),
        "says_nothing": _("Neither a reading nor a finding nor a note."),
        "line_twice": _("Line %(line)s says it already: one of the two must go."),
        "other_contents": _("This entry was already sent with other contents."),
        "not_to_withdraw": _("Only an entry on the same key of this check can be withdrawn."),
    }
