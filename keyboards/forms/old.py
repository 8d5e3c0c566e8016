"""Readings that were kept by hand before: which file, what its columns mean, when and where the keys were read."""

import datetime
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from keyboards.core.columns import KEY, MIL, NOTE, Table, guesses, read_table
from keyboards.core.entries import Problem
from keyboards.core.quantities import LENGTH, QUANTITIES
from keyboards.forms.readings import FileForm
from keyboards.models import CheckKind, Finding
from keyboards.words import quantity_title, sentence, unit_sign
from shop.formats import dated
from shop.models import Job

_EARLIEST = datetime.date(1970, 1, 1)  # what an entry may be dated


class OldReadingsForm(FileForm):
    """cleaned: kind, read_on, origin, lines (the text). table, meanings: its columns, what each holds."""

    kind = forms.ChoiceField(label=gettext_lazy("What it was"), choices=CheckKind.choices, initial=CheckKind.VISIT)
    read_on = forms.DateField(
        label=gettext_lazy("Read on"),
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text=gettext_lazy("Where only the year is known, the middle of it will do: say so below."),
    )
    origin = forms.CharField(
        label=gettext_lazy("Where they come from"),
        max_length=200,
        help_text=gettext_lazy("Who read them and with what, as far as it is known."),
    )

    field_order = ("file", "text", "read_on", "kind", "origin")

    def __init__(self, *args: Any, job: Job, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.job = job
        self.table: Table | None = None
        self.meanings: list[str] = []  # of each column: as chosen, or as proposed where nobody was asked yet
        self.fields["text"].widget.attrs["rows"] = 6

    def clean_read_on(self) -> datetime.date:
        day = self.cleaned_data["read_on"]
        if day > timezone.localdate():
            raise ValidationError(_("This day is still to come."))
        if day < _EARLIEST:
            raise ValidationError(_("Before %(year)s nothing can be dated here.") % {"year": _EARLIEST.year})
        return day

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        day, kind = data.get("read_on"), data.get("kind")
        came = timezone.localtime(self.job.received_at).date()
        if day and kind and kind != CheckKind.VISIT:
            if day < came:
                words = _("The set came on %(day)s: what was read before that is a check at a visit.")
                self.add_error("kind", ValidationError(words % {"day": dated(came, "DAY_FORMAT")}))
            elif self.job.left_at:
                self.add_error("kind", ValidationError(_("This set has gone home: choose the check at a visit.")))
        if isinstance(data.get("lines"), str) and not {"file", "text"} & set(self.errors):
            table = read_table(data["lines"])
            if isinstance(table, Problem):
                self.add_error("file", ValidationError(sentence(table)))
            else:
                self._ask(table)
        return data

    def _ask(self, table: Table) -> None:
        """A question for each column; answered already where the page that was sent had them."""
        self.table = table
        titles = dict(Finding.objects.filter(retired_at__isnull=True).values_list("code", "title"))
        choices = _meanings(titles)
        known = {value for _group, entries in choices for value, _title in entries}
        asked = self.cleaned_data.get("file") is None  # a new file has columns of its own
        proposed = guesses(table, self.job.compass.keys, titles)
        for number, name in enumerate(table.names):
            sent = self.data.get(self.add_prefix(_column(number))) if asked else None
            self.fields[_column(number)] = forms.ChoiceField(
                label=name or _("Column %(number)d") % {"number": number + 1}, choices=choices, required=False
            )
            if sent is None:
                sent = proposed[number] if proposed[number] in known else ""
                self.data = self.data.copy()  # type: ignore[attr-defined]
                self.data[self.add_prefix(_column(number))] = sent  # type: ignore[index]
            elif sent not in known:
                self.add_error(_column(number), ValidationError(_("Choose what this column holds.")))
                sent = ""
            self.meanings.append(sent)

    @property
    def columns(self) -> list[forms.BoundField]:
        """The questions, each with what the first rows hold in that column."""
        if self.table is None:
            return []
        fields = []
        for number in range(len(self.table.names)):
            cells = [row[number] for _line, row in self.table.rows[:40] if number < len(row) and row[number]]
            bound = self[_column(number)]
            bound.sample = ", ".join(cells[:4])[:60]  # type: ignore[attr-defined]
            fields.append(bound)
        return fields


def _column(number: int) -> str:
    return f"column_{number}"


def _meanings(titles: dict[str, str]) -> list[tuple[str, list[tuple[str, str]]]]:
    lengths = ((LENGTH, "mm"), ("in", "in"), (MIL, _("thousandths of an inch")))
    readings = [
        (f"{slug}:{unit}", f"{quantity_title(slug)}, {sign}")
        for slug, known in QUANTITIES.items()
        for unit, sign in (lengths if known.dimension == LENGTH else ((known.dimension, unit_sign(known.dimension)),))
    ]
    return [
        (_("In general"), [("", _("leave it out")), (KEY, _("the key: its number or note")), (NOTE, _("a note"))]),
        (_("A reading"), readings),
        (_("A finding: 0 to 3, or a mark"), [(f"finding:{code}", title) for code, title in titles.items()]),
    ]
