"""The price list: one operation, and the whole list as a CSV file."""

import csv
import datetime
import io
from copy import copy
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from shop.cautions import CAUTIONS
from shop.forms.jobs import DayInput
from shop.forms.numbers import PlainDecimalField
from shop.models import Operation, Proves, TaxClass
from shop.workflow.prices import FIELDS, PRICED

LARGEST_FILE = 512 * 1024
MOST_ROWS = 1000
# What the file names in its first line. The price is reckoned and only there to be read.
COLUMNS = (
    "code",
    "title",
    "unit",
    "minutes",
    "material",
    "material_price",
    "from",
    "tax",
    "stage",
    "wait_hours",
    "position",
    "cautions",
    "proves",
    "retired",
    "price",
)
NEEDED = ("code", "title", "unit", "minutes", "material_price", "stage")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class OperationForm(forms.ModelForm):
    """One kind of work: the fields that are its to change. The price is reckoned from minutes and material."""

    minutes = PlainDecimalField(
        label=_("Minutes for one"), min_value=0, max_value=99_999, decimal_places=2, max_digits=8
    )
    material_price = PlainDecimalField(
        label=_("Material for one"), min_value=0, max_value=Decimal(9_999_999), decimal_places=3, max_digits=10
    )
    starts_on = forms.DateField(
        label=_("New minutes or material price from"),
        required=False,
        widget=DayInput,
        help_text=_("Empty: from today. What was charged before stays in the history."),
    )
    cautions = forms.MultipleChoiceField(
        label=_("Cautions shown where it is done"),
        choices=[(slug, caution.title) for slug, caution in CAUTIONS.items()],
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )

    proves = forms.MultipleChoiceField(
        label=_("Promised to the client: shown on every key at the final check"),
        choices=Proves.choices,
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text=_("Stands on the estimate. The report names what was agreed and not measured."),
    )

    class Meta:
        model = Operation
        fields = [
            "code",
            "title",
            "unit",
            "minutes",
            "material",
            "material_price",
            "tax",
            "stage",
            "wait_hours",
            "position",
            "cautions",
            "proves",
        ]
        error_messages = {"code": {"invalid": _("Letters, digits, - and _ only, without spaces.")}}
        help_texts = {
            "code": _("A short name without spaces. The advice and your files know the work by it."),
            "wait_hours": _("For glue or wetted wood: the next stage begins after it."),
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["tax"].empty_label = _("the usual one")  # type: ignore[attr-defined]
        if self.instance.pk:
            # Drafts, advice and files find the work by its code.
            self.fields["code"].disabled = True

    def clean_starts_on(self):
        """A price begins today or later, and not in a year that nobody has a calendar for."""
        day = self.cleaned_data["starts_on"]
        if day and "starts_on" in self.changed_data:
            if day < timezone.localdate():
                raise ValidationError(_("This day has passed: a new price begins today or later."))
            if day.year > timezone.localdate().year + 5:
                raise ValidationError(_("This day is more than five years away."))
        return day

    def clean_wait_hours(self):
        """Waits are hours or days, not months."""
        hours = self.cleaned_data["wait_hours"]
        if hours > 24 * 60:
            raise ValidationError(_("Enter at most %(most)d hours.") % {"most": 24 * 60})
        return hours

    def clean_position(self):
        """What the column can hold."""
        position = self.cleaned_data["position"]
        if position > 30_000:
            raise ValidationError(_("Enter a number up to 30000."))
        return position


class TaxClassForm(forms.ModelForm):
    """A class of tax beside the usual one."""

    rate = PlainDecimalField(label=_("Tax, %"), min_value=0, max_value=100, max_digits=5, decimal_places=2)

    class Meta:
        model = TaxClass
        fields = ["name", "rate"]


# --- the file ------------------------------------------------------------------------------------


def _cell(text: str) -> str:
    """A text that a spreadsheet would run as a formula gets a quote in front."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def _text(cell: str) -> str:
    cell = cell.strip()
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(_FORMULA) else cell


def _number(value: Decimal) -> str:
    text = format(value.normalize(), "f")
    return "0" if text in ("-0", "") else text


def price_list_csv(rows: list[tuple[Operation, Decimal]]) -> str:
    """The list as a CSV file (comma, quoted where needed, CRLF): what price_file reads back unchanged.

    Rows are operations as of a day with their price; one that is priced anew later has a line for each later day.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for operation, price in rows:
        writer.writerow(
            [
                operation.code,
                _cell(operation.title),
                operation.unit,
                _number(operation.minutes),
                _cell(operation.material),
                _number(operation.material_price),
                operation.since.isoformat() if operation.since else "",
                _cell(_tax(operation.tax)),
                operation.stage,
                operation.wait_hours,
                operation.position,
                " ".join(operation.cautions),
                " ".join(operation.proves),
                "yes" if operation.retired_at else "",
                _number(price),
            ]
        )
    return out.getvalue()


def _tax(tax: TaxClass | None) -> str:
    return f"{tax.name} {_number(tax.rate)}" if tax else ""


@dataclass(frozen=True)
class FileRow:
    """One line of a file: what it would do to the list. state is new, changed, same or wrong.

    starts_on: the day that its minutes and material price begin on, None for today.
    """

    line: int
    code: str
    title: str
    state: str
    changes: tuple[tuple[str, str, str], ...] = ()
    errors: tuple[str, ...] = ()
    values: dict[str, Any] = field(default_factory=dict)
    starts_on: datetime.date | None = None


@dataclass(frozen=True)
class PriceFile:
    """A file read: its lines, or why it cannot be read at all."""

    rows: tuple[FileRow, ...] = ()
    trouble: str = ""
    text: str = ""

    @property
    def wrong(self) -> list[FileRow]:
        return [row for row in self.rows if row.state == "wrong"]

    @property
    def to_do(self) -> list[FileRow]:
        return [row for row in self.rows if row.state in ("new", "changed")]


class PriceFileForm(forms.Form):
    """A file from a spreadsheet, or its text again when it is confirmed."""

    file = forms.FileField(
        label=_("CSV file"), required=False, widget=forms.FileInput(attrs={"accept": ".csv,text/csv"})
    )
    text = forms.CharField(required=False, strip=False, max_length=LARGEST_FILE, widget=forms.HiddenInput)

    def clean(self):
        """The text of the file, as UTF-8 or as older spreadsheets write it."""
        data = super().clean() or {}
        upload = data.get("file")
        if upload is None:
            if not data.get("text") and not self.errors:
                self.add_error("file", _("Choose a file."))
            return data
        if upload.size > LARGEST_FILE:
            self.add_error(
                "file", _("This file is too large for a price list (%(most)d kB).") % {"most": LARGEST_FILE // 1024}
            )
            return data
        contents = upload.read()
        for encoding in ("utf-8-sig", "cp1252"):
            try:
                data["text"] = contents.decode(encoding)
                break
            except UnicodeDecodeError:
                continue
        else:
            self.add_error("file", _("This is not a text file. Save it as CSV, UTF-8."))
        if "\x00" in data.get("text", ""):
            self.add_error("file", _("This is not a text file. Save it as CSV, UTF-8."))
        return data


def price_file(text: str) -> PriceFile:
    """Reads a file and compares it with the list; nothing is kept."""
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        return PriceFile(trouble=_now("This file cannot be read as CSV: %(error)s.") % {"error": error})
    if not rows:
        return PriceFile(trouble=_now("This file is empty."))
    if len(rows) > MOST_ROWS:
        return PriceFile(trouble=_now("This file has more than %(most)d lines.") % {"most": MOST_ROWS})
    header = [name.strip().lower() for name in rows[0]]
    missing = [name for name in NEEDED if name not in header]
    if missing:
        return PriceFile(
            trouble=_now("The first line must name the columns; missing: %(names)s.") % {"names": ", ".join(missing)}
        )
    today = timezone.localdate()
    have = {operation.code: operation for operation in Operation.objects.as_of(today)}
    taxes = {_tax(tax).casefold(): tax for tax in TaxClass.objects.all()}
    seen: set[tuple[str, str]] = set()
    found = []
    for number, cells in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in cells):
            continue
        typed = {name: _text(cell) for name, cell in zip(header, cells, strict=False) if name in COLUMNS}
        found.append(_row(number, typed, have, seen, taxes, today))
    if not found:
        return PriceFile(trouble=_now("There is no line of work in this file."))
    return PriceFile(tuple(found), text=text)


def _row(
    line: int,
    typed: dict[str, str],
    have: dict[str, Operation],
    seen: set[tuple[str, str]],
    taxes: dict[str, TaxClass],
    today: datetime.date,
) -> FileRow:
    code, since = typed.get("code", "").lower(), typed.get("from", "")
    old = have.get(code)
    errors = []
    day: datetime.date | None = None
    if since:
        try:
            day = datetime.date.fromisoformat(since)
        except ValueError:
            errors.append(_now("from: write a day such as 2026-12-24, or leave it empty."))
    if day is not None and (old is None or day <= today) and day != (old.since if old else None):
        errors.append(_now("from: this day is not in the list. A new price begins after today, or empty: today."))
    if day is not None and day.year > today.year + 5:
        errors.append(_now("from: this day is more than five years away."))
    if old is not None and day is not None and day > today:
        old = copy(old)
        old.minutes, old.material_price, old.since = old.price_on(day)
    elif old is not None:
        day = None
    names = [name for name in FIELDS if name not in ("retired", "tax")]
    data: dict[str, Any]
    if old is not None:
        data = {name: getattr(old, name) for name in names} | {"tax": old.tax_id}
    else:
        data = {"wait_hours": 0, "position": 1000, "cautions": [], "proves": [], "material": ""}
    skipped = ("price", "retired", "cautions", "proves", "code", "from", "tax")
    data.update({name: value for name, value in typed.items() if name not in skipped})
    data["code"] = code
    for name in ("cautions", "proves"):
        if name in typed:
            data[name] = typed[name].split()
    if "tax" in typed:
        data["tax"] = None
        if typed["tax"]:
            tax = taxes.get(typed["tax"].casefold())
            if tax is None:
                errors.append(_now("tax: the shop has no class of tax of this name and rate."))
            else:
                data["tax"] = tax.pk
    form = OperationForm(data, instance=copy(old) if old is not None else Operation())
    retired = typed.get("retired", "yes" if old is not None and old.retired_at else "").lower()
    if retired not in ("", "0", "no", "1", "yes", "x"):
        errors.append(_now("retired: write yes, or leave it empty."))
    if (code, since) in seen:
        errors.append(_now("This code stands in the file twice."))
    seen.add((code, since))
    for name, messages in form.errors.items():
        errors += [f"{name}: {message}" for message in messages]
    title = typed.get("title", "")[:120]
    if errors:
        return FileRow(line, code[:30], title, "wrong", errors=tuple(errors))
    values = {name: form.cleaned_data[name] for name in FIELDS if name != "retired"}
    values["retired"] = retired in ("1", "yes", "x")
    if day is not None:
        # A line for a later day says a price; what the work is called stands in the line without a day.
        values = {name: values[name] for name in PRICED}
    if old is None:
        return FileRow(line, code, title, "new", values=values)
    changes = tuple(
        (name, _shown(before), _shown(values[name]))
        for name in values
        if (before := bool(old.retired_at) if name == "retired" else getattr(old, name)) != values[name]
    )
    return FileRow(line, code, title, "changed" if changes else "same", changes=changes, values=values, starts_on=day)


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return _now("yes") if value else _now("no")
    if isinstance(value, Decimal):
        return _number(value)
    return " ".join(value) if isinstance(value, list) else "" if value is None else str(value)
