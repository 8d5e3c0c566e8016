"""What is typed on the advice page: assumptions, sections moved by hand, the decision, a sample to draw."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django import forms
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from keyboards.advising import option_title
from keyboards.core.advice import OPTIONS, Advice
from keyboards.core.assumptions import ASSUMPTIONS, FLAG, LIST, Assumed, Assumption, clean
from keyboards.core.errors import MeasurementError
from keyboards.core.keys import Compass
from keyboards.forms.shown import shown_text, shown_texts
from keyboards.words import wrong_with

_NUMBER = re.compile(r"[+-]?(\d{1,9}([.,]\d{1,6})?|[.,]\d{1,6})", re.ASCII)
_MM_PER_INCH = Decimal("25.4")
_LONGEST = 200

GROUP_TITLES = {
    "fit": gettext_lazy("Fit of cloth and pin"),
    "uncertainty": gettext_lazy("Uncertainty of a reading"),
    "spread": gettext_lazy("Odd readings and samples"),
    "comeback": gettext_lazy("What may come back, and what that costs"),
    "button": gettext_lazy("Buttons"),
    "cloth": gettext_lazy("Cloth to cut"),
    "final": gettext_lazy("Limits of the final check"),
}


@dataclass(frozen=True)
class AssumptionRow:
    """One assumption as the page shows it; text is what stands in the field, default the shop's value in words."""

    assumption: Assumption
    title: str
    text: str
    unit: str
    default: str
    source: str
    place: str
    own: bool
    error: str

    @property
    def name(self) -> str:
        return self.assumption.name

    @property
    def is_flag(self) -> bool:
        return self.assumption.kind == FLAG


@dataclass(frozen=True)
class AssumptionGroup:
    """Assumptions that belong together. open: one of them was changed, or is refused, so it is not folded away."""

    title: str
    rows: list[AssumptionRow]
    open: bool


def _unit(row: Assumption, unit: str, currency: str) -> str:
    return unit if row.unit == "mm" else currency if row.unit == "money" else row.unit


def _figure(value: float, row: Assumption, unit: str) -> str:
    number = Decimal(str(value))
    if row.unit == "mm" and unit == "in":
        number = (number / _MM_PER_INCH).quantize(Decimal("0.0001"))
    return f"{number.normalize():f}"


def shown(value: Any, row: Assumption, unit: str) -> str:
    """A value as text in the person's unit."""
    if row.kind == FLAG:
        return _("yes") if value else _("no")
    if row.kind == LIST:
        return ", ".join(_figure(one, row, unit) for one in value)
    return _figure(value, row, unit)


def _read(text: str, row: Assumption, unit: str) -> float:
    text = text.strip().replace("−", "-")
    if not _NUMBER.fullmatch(text):
        example = _figure(1.0 if row.kind == LIST else row.default, row, unit)
        raise MeasurementError(_("write a number such as %(example)s") % {"example": example})
    number = Decimal(text.replace(",", "."))
    return float(number * _MM_PER_INCH if row.unit == "mm" and unit == "in" else number)


def _refusal(error: MeasurementError, row: Assumption, unit: str) -> str:
    """The sentence beside a field, the range in the person's unit."""
    if str(error).startswith("must lie between"):
        return _("must lie between %(low)s and %(high)s") % {
            "low": _figure(row.lowest, row, unit),
            "high": _figure(row.highest, row, unit),
        }
    return wrong_with(error)


class AssumptionsForm:
    """All assumptions as typed. values: what says something else than the page showed (None: the shop's again), so that
    a page opened before somebody else changed one takes nothing back; errors: name -> sentence."""

    def __init__(self, posted: Mapping[str, str] | None, *, held: Assumed, shop: Assumed, unit: str, currency: str):
        self.values: dict[str, Any] = {}
        self.errors: dict[str, str] = {}
        self.held, self.shop, self.unit, self.currency = held, shop, unit, currency
        self.texts = {row.name: self._text(row) for row in ASSUMPTIONS}
        self.shown = self.texts.copy()
        if posted is not None:
            self.shown |= shown_texts(posted.get("shown", "")) or {}
            for row in ASSUMPTIONS:
                self._take(row, posted)

    def _take(self, row: Assumption, posted: Mapping[str, str]) -> None:
        before, standing = getattr(self.held, row.name), self.texts[row.name]
        text = posted.get(row.name, "" if row.kind == FLAG else standing)[:_LONGEST].replace("\x00", "")
        self.texts[row.name] = text
        if text.strip() in (self.shown[row.name].strip(), standing):
            return
        try:
            if row.kind == FLAG:
                value: Any = text == "on"
            elif not text.strip():
                value = getattr(self.shop, row.name)
            elif row.kind == LIST:
                pieces = [piece for piece in re.split(r"[;\s]+|,\s+|,$", text.strip()) if piece]
                value = clean(row.name, [_read(piece, row, self.unit) for piece in pieces])
            else:
                value = clean(row.name, _read(text, row, self.unit))
        except MeasurementError as error:
            self.errors[row.name] = _refusal(error, row, self.unit)
            return
        if value != before:
            self.values[row.name] = None if value == getattr(self.shop, row.name) else value

    @property
    def kept(self) -> str:
        """What the fields hold, for the next time they are sent; of one that is refused, what they held before."""
        return shown_text({**self.texts, **{name: self.shown[name] for name in self.errors}})

    def _text(self, row: Assumption) -> str:
        value = getattr(self.held, row.name)
        if row.kind == FLAG:
            return "on" if value else ""
        return shown(value, row, self.unit)

    def groups(self, held: Assumed) -> list[AssumptionGroup]:
        """The rows to show, by group; a field that is refused keeps what was typed."""
        out: dict[str, list[AssumptionRow]] = {}
        for row in ASSUMPTIONS:
            value = getattr(held, row.name)
            wrong = self.errors.get(row.name, "")
            out.setdefault(row.group, []).append(
                AssumptionRow(
                    assumption=row,
                    title=_(row.title),
                    text=self.texts[row.name],
                    unit=_unit(row, self.unit, self.currency),
                    default=shown(getattr(self.shop, row.name), row, self.unit),
                    source=_(row.source),
                    place=_place(row),
                    own=value != getattr(self.shop, row.name),
                    error=wrong,
                )
            )
        return [
            AssumptionGroup(
                str(GROUP_TITLES[group]),
                rows,
                open=any(row.own or row.error or row.name in self.values for row in rows),
            )
            for group, rows in out.items()
        ]


def _place(row: Assumption) -> str:
    places = {"fingertip": _("at the fingertip"), "bushing": _("at the bushing")}
    keys = {"up": _("key up"), "down": _("key down")}
    return ", ".join(part for part in (places.get(row.place), keys.get(row.key)) if part)


@dataclass(frozen=True)
class SectionRow:
    """One section as typed: its name and its last key, both as text."""

    title: str
    last: str
    error: str = ""


class SectionsForm:
    """Sections moved by hand: names and last keys, bass first. The first begins at key 1, the last ends the set."""

    MOST = 8

    def __init__(self, posted: Mapping[str, Any], compass: Compass):
        self.rows: list[SectionRow] = []
        self.sections: list[tuple[str, int, int]] = []
        titles = posted.getlist("section_title")[: self.MOST]  # type: ignore[attr-defined]
        lasts = posted.getlist("section_last")[: self.MOST]  # type: ignore[attr-defined]
        first = 1
        for title, last in zip(titles, lasts, strict=False):
            title, last = title.replace("\x00", "").strip()[:40], last.strip()[:20]
            if not title and not last:
                continue
            error = ""
            try:
                key = int(last) if last.isascii() and last.isdigit() else compass.named(last)
            except MeasurementError:
                key, error = 0, _("Name its last key, such as 26 or A♯2.")
            if not error and not first <= key <= compass.count:
                error = _("The last key must lie between %(first)d and %(count)d.") % {
                    "first": first,
                    "count": compass.count,
                }
            if not title:
                error = error or _("Give it a name.")
            self.rows.append(SectionRow(title, last, error))
            if not error:
                self.sections.append((title, first, key))
                first = key + 1
        if self.rows and not self.has_errors and first <= compass.count:
            row = self.rows[-1]
            self.rows[-1] = SectionRow(
                row.title, row.last, _("The last section must end at key %(count)d.") % {"count": compass.count}
            )

    @property
    def has_errors(self) -> bool:
        return not self.rows or any(row.error for row in self.rows)


class DecisionForm(forms.Form):
    """One option a section, and a sentence."""

    reason = forms.CharField(label=gettext_lazy("If it differs from the advice: why"), max_length=300, required=False)

    def __init__(self, *args: Any, advice: Advice, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.advice = advice
        for index, section in enumerate(advice.sections):
            self.fields[f"option_{index}"] = forms.ChoiceField(
                label=section.title,
                choices=[(option, option_title(option)) for option in OPTIONS],
                initial=section.advised,
                widget=forms.Select,
            )

    @property
    def per_section(self) -> list[Any]:
        return [self[f"option_{index}"] for index in range(len(self.advice.sections))]

    @property
    def chosen(self) -> Sequence[str]:
        return [self.cleaned_data[f"option_{index}"] for index in range(len(self.advice.sections))]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        advised = [section.advised for section in self.advice.sections]
        given = [data.get(f"option_{index}") for index in range(len(advised))]
        if None not in given and given != advised and not data.get("reason", "").strip():
            self.add_error("reason", _("This differs from the advice: say why in a sentence."))
        return data


class SampleForm(forms.Form):
    """How many keys to draw, and the number that makes the draw repeatable."""

    count = forms.IntegerField(label=gettext_lazy("Keys to read"), min_value=1, max_value=128, initial=22)
    seed = forms.IntegerField(label=gettext_lazy("Draw number"), min_value=1, max_value=999_999, initial=1)
