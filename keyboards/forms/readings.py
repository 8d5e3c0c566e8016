"""What a person types about keys: all of one key, one finding on several, a reading once more, a sheet from a file."""

from collections.abc import Mapping, Sequence
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, pgettext_lazy

from keyboards.core.entries import LONGEST_NOTE, LONGEST_WORD, Problem, interval_of
from keyboards.core.errors import MeasurementError
from keyboards.core.plugs import plug_doubt
from keyboards.core.quantities import LENGTH, QUANTITIES, show
from keyboards.core.sheet import LARGEST, decode
from keyboards.forms.numbers import keys_typed
from keyboards.forms.shown import shown_text, shown_texts
from keyboards.models import Compass, Finding, FindingGroup, Gauge, GaugeKind, KeyReading
from keyboards.pictures import grade_words
from keyboards.words import entry_unit, figure, quantity_title, sentence, unit_sign

SEVERITIES = [
    ("0", pgettext_lazy("severity", "not there")),
    ("1", pgettext_lazy("severity", "1 noticed")),
    ("2", pgettext_lazy("severity", "2 clear")),
    ("3", pgettext_lazy("severity", "3 severe")),
]
_NUMBER = {"inputmode": "decimal", "class": "figure", "autocomplete": "off"}


def reads_plugs(gauge: Gauge | None, quantity: str) -> bool:
    """Whether a reading of the quantity with this instrument is two diameters."""
    return gauge is not None and gauge.kind == GaugeKind.PLUG and QUANTITIES[quantity].dimension == LENGTH


def two_diameters(units: str) -> str:
    """A reading of plug gauges as it is typed."""
    return "0.220..0.222" if units == "in" else "5.60..5.65"


def plug_question(gauge: Gauge | None, quantity: str, typed: str, units: str) -> str:
    """What is odd about a reading typed for plug gauges; "" where nothing is, and for any other instrument."""
    if gauge is None or not reads_plugs(gauge, quantity):
        return ""
    unit = entry_unit(quantity, units)
    try:
        enters, stops = interval_of(typed, unit)
    except MeasurementError:  # no number: told where it is kept
        return ""
    if stops is None:
        both = _("Plug gauges read two diameters, the largest that enters and the smallest that does not: %(example)s.")
        return both % {"example": two_diameters(units)}
    doubt = plug_doubt(gauge.sizes, enters, stops)
    if doubt is None:
        return ""
    size = {"size": show(doubt[1], unit, 4 if unit == "in" else 2), "unit": unit, "gauge": gauge.name}
    words = {
        "stranger": _("%(size)s %(unit)s is no gauge of “%(gauge)s”."),
        "between": _("%(size)s %(unit)s lies between these two."),
    }
    return words[doubt[0]] % size


class KeyForm(forms.Form):
    """Everything about one key of one check, as it stands, to be changed. `changes` is what differs from what the page
    showed, so that a page opened before somebody else read the key takes nothing back."""

    shown = forms.CharField(required=False, widget=forms.HiddenInput)
    note = forms.CharField(
        label=gettext_lazy("Note"), max_length=LONGEST_NOTE, required=False, widget=forms.Textarea(attrs={"rows": 2})
    )
    grade = forms.ChoiceField(label=gettext_lazy("Grade"), required=False)
    grade_reason = forms.CharField(
        label=gettext_lazy("Why another grade"),
        max_length=LONGEST_WORD,
        required=False,
        help_text=gettext_lazy("A word, where the grade is not what the findings make it."),
    )

    def __init__(
        self,
        data: Any = None,
        *,
        row: KeyReading,
        quantities: Sequence[str],
        findings: Sequence[Finding],
        units: str,
        gauge: Gauge | None,
    ):
        """gauge: the instrument that the check names."""
        self.row, self.quantities, self.units, self.gauge = row, quantities, units, gauge
        self.findings = [finding for finding in findings if finding.retired_at is None or finding.code in row.findings]
        initial: dict[str, Any] = {
            "note": row.note,
            "grade": str(row.grade) if row.grade_reason else "",  # one given by hand never stands without its word
            "grade_reason": row.grade_reason,
        }
        for quantity in quantities:
            value = getattr(row, quantity)
            shown = "" if value is None else figure(quantity, value, entry_unit(quantity, units))
            initial[f"value_{quantity}"] = shown
        for finding in self.findings:
            initial[f"finding_{finding.code}"] = str(row.findings.get(finding.code, 0))
        self.texts = {name: text for name, text in initial.items() if text != _nothing(name)}
        initial["shown"] = shown_text(self.texts)
        super().__init__(data, initial=initial)
        for quantity in quantities:
            self.fields[f"value_{quantity}"] = forms.CharField(
                label=quantity_title(quantity),
                max_length=20,
                required=False,
                widget=forms.TextInput(attrs=_NUMBER),
                help_text=_("both diameters: %(example)s") % {"example": two_diameters(units)}
                if reads_plugs(gauge, quantity)
                else "",
            )
        for finding in self.findings:
            self.fields[f"finding_{finding.code}"] = forms.ChoiceField(
                label=finding.title, choices=SEVERITIES, required=False
            )
        words = [(str(grade), word) for grade, word in grade_words().items()]
        self.fields["grade"].choices = [("", _("as the findings make it")), *words]  # type: ignore[attr-defined]

    @property
    def values(self) -> list[tuple[forms.BoundField, str]]:
        """The fields of readings with the sign of their unit."""
        return [
            (self[f"value_{quantity}"], unit_sign(entry_unit(quantity, self.units))) for quantity in self.quantities
        ]

    @property
    def finding_groups(self) -> list[tuple[str, list[forms.BoundField], int]]:
        """The fields of findings under the words of their group, with how many of them are there."""
        found = []
        for group in FindingGroup:
            of_group = [finding for finding in self.findings if finding.group == group]
            if of_group:
                there = sum(finding.code in self.row.findings for finding in of_group)
                found.append((str(group.label), [self[f"finding_{finding.code}"] for finding in of_group], there))
        return found

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("grade") and not data.get("grade_reason", "").strip() and "grade_reason" not in self.errors:
            self.add_error("grade_reason", ValidationError(_("Say in a word why.")))
        return data

    @property
    def questions(self) -> list[str]:
        """What is odd about readings that were kept all the same: "Balance pin: 3.71 mm is no gauge of “Plugs”."."""
        told = []
        for _field, change in self.changes():
            if change["kind"] == "reading" and (
                question := plug_question(self.gauge, change["quantity"], change["value"], self.units)
            ):
                told.append(f"{quantity_title(change['quantity'])}: {question}")
        return told

    def changes(self) -> list[tuple[str, dict[str, Any]]]:
        """(field, change for entries_write) for every field that says something else than the page showed."""
        data, key = self.cleaned_data, self.row.key
        shown = shown_texts(data["shown"])
        shown = self.texts if shown is None else shown
        found: list[tuple[str, dict[str, Any]]] = []
        for quantity in self.quantities:
            name = f"value_{quantity}"
            text = data[name].strip()
            if text == shown.get(name, ""):
                continue
            reading = {"key": key, "quantity": quantity, "value": text, "unit": entry_unit(quantity, self.units)}
            found.append((name, {"kind": "reading", **reading} if text else {"kind": "clear", **reading}))
        for finding in self.findings:
            name = f"finding_{finding.code}"
            severity = data[name] or "0"
            if severity != shown.get(name, "0"):
                said = {"kind": "finding", "key": key, "finding": finding.code, "severity": int(severity)}
                found.append((name, said))
        note = data["note"].replace("\r\n", "\n")
        if note != shown.get("note", "").strip():
            found.append(("note", {"kind": "note", "key": key, "text": note}))
        grade, reason = data["grade"], data["grade_reason"].strip() if data["grade"] else ""
        if (grade, reason) != (shown.get("grade", ""), shown.get("grade_reason", "")):
            found.append(
                ("grade", {"kind": "grade", "key": key, "grade": int(grade) if grade else None, "text": reason})
            )
        return found


def _nothing(name: str) -> str:
    """What a field of a key says where nothing is known."""
    return "0" if name.startswith("finding_") else ""


class AgainForm(forms.Form):
    """One quantity read once more: a repeat, which stands beside the earlier readings."""

    quantity = forms.ChoiceField(label=gettext_lazy("Quantity"))
    value = forms.CharField(label=gettext_lazy("Reading"), max_length=20, widget=forms.TextInput(attrs=_NUMBER))
    gauge = forms.ModelChoiceField(
        Gauge.objects.filter(retired_at__isnull=True),
        label=gettext_lazy("Measured with"),
        required=False,
        empty_label=gettext_lazy("as the check says"),
    )

    sure = forms.CharField(required=False, max_length=20, widget=forms.HiddenInput)

    prefix = "again"

    def __init__(self, data: Any = None, *, quantities: Sequence[str], units: str, usual: Gauge | None):
        """usual: the instrument that the check names, for a reading that names none."""
        super().__init__(data)
        self.units, self.usual = units, usual
        choices = [(slug, f"{quantity_title(slug)}, {unit_sign(entry_unit(slug, units))}") for slug in quantities]
        self.fields["quantity"].choices = choices  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """What plug gauges cannot have read is asked about once; sent again, it is kept."""
        data = super().clean() or {}
        if self.errors:
            return data
        gauge, typed = data.get("gauge") or self.usual, data.get("value", "")
        question = plug_question(gauge, data["quantity"], typed, self.units)
        if question and data["sure"] != typed:
            self.add_error("value", question + " " + _("Send it once more to keep it."))
            self.data = {**dict(self.data.items()), self.add_prefix("sure"): typed}
        return data

    def operation(self, key: int) -> dict[str, Any]:
        """The reading as a tablet would send it, but for op and taken_at."""
        quantity, gauge = self.cleaned_data["quantity"], self.cleaned_data["gauge"]
        return {
            "kind": "reading",
            "key": key,
            "quantity": quantity,
            "value": self.cleaned_data["value"],
            "unit": entry_unit(quantity, self.units),
            "instrument": gauge.pk if gauge else None,
        }


class FileForm(forms.Form):
    """A sheet of readings from a file, or as text."""

    file = forms.FileField(
        label=gettext_lazy("File"),
        required=False,
        allow_empty_file=True,
        widget=forms.FileInput(attrs={"accept": ".csv,.tsv,.txt,text/csv,text/plain"}),
    )
    text = forms.CharField(
        label=gettext_lazy("Or its lines"),
        required=False,
        strip=False,
        widget=forms.Textarea(attrs={"rows": 8, "class": "figure", "spellcheck": "false", "wrap": "off"}),
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if {"file", "text"} & set(self.errors):
            return data
        file = data.get("file")
        if file is None:
            found: str | Problem = data.get("text", "")
        else:
            found = (
                Problem("file_too_large", {"size": LARGEST // 1_000_000})
                if file.size > LARGEST
                else decode(file.read())
            )
        if isinstance(found, str) and len(found.encode()) > LARGEST:
            found = Problem("file_too_large", {"size": LARGEST // 1_000_000})
        if isinstance(found, Problem):
            self.add_error("file", ValidationError(sentence(found)))
        elif not found.strip():
            self.add_error("file", ValidationError(_("Choose a file, or paste its lines.")))
        data["lines"] = found
        return data


class FindingsForm(forms.Form):
    """One finding on several keys at once: "C3 to G4, moth-eaten"."""

    keys = forms.CharField(
        label=gettext_lazy("Keys"),
        max_length=400,
        help_text=gettext_lazy("Such as 1-5, 12, C3 to G4."),
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )
    finding = forms.ModelChoiceField(
        Finding.objects.filter(retired_at__isnull=True),
        label=gettext_lazy("Finding"),
        to_field_name="code",
        empty_label=gettext_lazy("choose one"),
    )
    severity = forms.ChoiceField(label=gettext_lazy("Severity"), choices=SEVERITIES, initial="2")

    def __init__(self, *args: Any, compass: Compass, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.compass = compass

    def clean_keys(self) -> list[int]:
        return keys_typed(self.cleaned_data["keys"], self.compass)

    def changes(self) -> list[Mapping[str, Any]]:
        """One change for entries_write a key."""
        finding, severity = self.cleaned_data["finding"].code, int(self.cleaned_data["severity"])
        return [
            {"kind": "finding", "key": key, "finding": finding, "severity": severity}
            for key in self.cleaned_data["keys"]
        ]
