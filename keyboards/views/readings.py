"""Readings: cells of the sheet, everything about one key, one finding on many keys, files out and in."""

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.db.models import F
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from keyboards.advising import assumptions_for
from keyboards.core.entries import FINDING, GRADE, READING, SKIP, WITHDRAW, in_force
from keyboards.core.keys import format_keys
from keyboards.core.quantities import QUANTITIES, show
from keyboards.core.sheet import Fact, Line, read_sheet, write_sheet
from keyboards.forms.readings import AgainForm, FileForm, FindingsForm, KeyForm, plug_question
from keyboards.models import Check, CheckKind, Entry, Finding, KeyReading, PhotoAngle
from keyboards.pictures import grade_words
from keyboards.sheets import Column, columns_of, findings_words, mark_of, odd_keys
from keyboards.views.checks import check_for, compass_for, sheet_context
from keyboards.views.entries import NotReadable, answer, list_in, read_body
from keyboards.words import entry_unit, figure, quantity_title, sentence, unit_sign
from keyboards.workflow.entries import CheckClosed, entries_apply, entries_write
from shop.access import TECHNICIAN, PersonRequest, allowed, may
from shop.downloads import download
from shop.htmx import page_or_part
from shop.models import Person
from shop.workflow.refusal import Refused

MOST_CELLS = 2000  # 128 keys, all quantities
_CSV_UNITS = {"mm": 3, "in": 5, "deg": 3, "g": 3}  # decimals that give every canonical integer back


# --- cells of the sheet ---


@require_POST
@allowed(TECHNICIAN, json=True)
def check_cells(request: PersonRequest, number: int, pk: int) -> JsonResponse:
    """Keeps cells of the sheet: {"cells": [{"key", "quantity", "text"}]}, quantity may be "note". A bad cell refuses
    itself only. The answer names each cell sent with its text now, why it was refused or what is odd about it, and what
    follows from it;
    401 ("other") where somebody else than the "person" who typed them is signed in.
    """
    check = check_for(number, pk)
    compass_for(check.job)
    units = request.user.units
    try:
        cells = [cell if isinstance(cell, dict) else {} for cell in list_in(read_body(request), "cells", MOST_CELLS)]
    except NotReadable as error:
        return answer(error.status, error=str(error))
    try:
        result = entries_write(check, [_change(cell, units) for cell in cells], by=request.user)
    except CheckClosed as refusal:
        return answer(409, error=str(refusal))
    why = {refusal.index: refusal.why for refusal in result.refused}
    readings = list(check.keys.all())
    by_key = {row.key: row for row in readings}
    quantities = {str(cell.get("quantity")) for cell in cells} & set(QUANTITIES)
    held = assumptions_for(check.job) if quantities else None
    odd = {quantity: odd_keys(readings, quantity, held) for quantity in quantities} if held else {}
    return answer(
        200,
        cells=[
            {
                "key": cell.get("key"),
                "quantity": cell.get("quantity"),
                "text": _text_of(by_key, cell, units) if index not in why else None,
                "why": why.get(index, ""),
                "ask": "" if index in why else _question(check, cell, units),
            }
            for index, cell in enumerate(cells)
        ],
        marks={
            quantity: {
                str(row.key): mark
                for row in readings
                if (mark := mark_of(row, quantity, odd=row.key in odd[quantity]))[0]
            }
            for quantity in odd
        },
        grades={str(key): _grade_words(row, check) for key, row in result.keys.items()},
        read=sum(row.grade is not None for row in readings),
    )


def _grade_words(row: KeyReading, check: Check) -> dict[str, Any]:
    word = grade_words(after=check.kind == CheckKind.FINAL)[row.grade] if row.grade is not None else ""
    return {"grade": row.grade, "words": f"{word} ({row.grade_reason})" if row.grade_reason else word}


def _change(cell: dict[str, Any], units: str) -> dict[str, Any]:
    key, quantity, text = cell.get("key"), cell.get("quantity"), cell.get("text")
    if quantity == "note":
        return {"kind": "note", "key": key, "text": text.strip() if isinstance(text, str) else text}
    known = isinstance(quantity, str) and quantity in QUANTITIES
    unit = entry_unit(quantity, units) if known and isinstance(quantity, str) else ""
    if isinstance(text, str) and not text.strip():
        return {"kind": "clear", "key": key, "quantity": quantity}
    return {"kind": "reading", "key": key, "quantity": quantity, "value": text, "unit": unit}


def _question(check: Check, cell: dict[str, Any], units: str) -> str:
    """What is odd about a cell that was kept."""
    quantity, text = cell.get("quantity"), cell.get("text")
    known = isinstance(quantity, str) and quantity in QUANTITIES and isinstance(text, str)
    return plug_question(check.gauge, str(quantity), str(text), units) if known else ""


def _text_of(by_key: dict[int, KeyReading], cell: dict[str, Any], units: str) -> str:
    row = by_key.get(cell["key"])
    if row is None:
        return ""
    if cell["quantity"] == "note":
        return row.note
    value = getattr(row, cell["quantity"])
    return "" if value is None else figure(cell["quantity"], value, entry_unit(cell["quantity"], units))


# --- one finding on many keys ---


@require_POST
@allowed(TECHNICIAN)
def check_findings(request: PersonRequest, number: int, pk: int) -> HttpResponse:
    """ "C3 to G4, moth-eaten": one finding written to several keys at once."""
    check = check_for(number, pk)
    form = FindingsForm(request.POST, compass=compass_for(check.job))
    if form.is_valid():
        try:
            result = entries_write(check, form.changes(), by=request.user, all_or_none=True)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            for refused in result.refused[:1]:
                form.add_error(None, refused.why)
            if not result.refused:
                keys = form.cleaned_data["keys"]
                words = ngettext(
                    "Written to %(count)d key: %(keys)s.", "Written to %(count)d keys: %(keys)s.", len(keys)
                )
                messages.success(request, words % {"count": len(keys), "keys": format_keys(keys)})
                return redirect("check_detail", number, pk)
    context = {**sheet_context(request, check), "findings_form": form}
    return page_or_part(request, "keyboards/checks/detail.html", context)


# --- one key ---


@dataclass(frozen=True)
class LoggedEntry:
    """One entry of a key as its page lists it."""

    op: str
    what: str
    figure: str
    text: str
    by: str
    at: Any
    gauge: str
    withdrawn: bool
    may_withdraw: bool
    evidence: PhotoAngle | None = None


@require_http_methods(["GET", "HEAD", "POST"])
@allowed()
def key_detail(request: PersonRequest, number: int, pk: int, key: int) -> HttpResponse:
    """Everything about one key in one check, and how it was in earlier checks of the same instrument."""
    check = check_for(number, pk)
    if request.method == "POST" and not may(request.user, TECHNICIAN):
        raise PermissionDenied
    page = _KeyPage(request, check, key)
    if request.method == "POST":
        form = page.form(request.POST)
        if form.is_valid() and page.keep(form):
            for question in form.questions:
                messages.info(request, question)
            following = page.neighbours[1] if "next" in request.POST else None
            if following is None:
                messages.success(request, _("Kept."))
            return redirect("key_detail", number, pk, following or key)
        return page.show(form=form)
    return page.show()


@require_POST
@allowed(TECHNICIAN)
def reading_again(request: PersonRequest, number: int, pk: int, key: int) -> HttpResponse:
    """A quantity of the key read once more: both readings stand, and their scatter counts as repeatability."""
    page = _KeyPage(request, check_for(number, pk), key)
    form = AgainForm(request.POST, quantities=tuple(QUANTITIES), units=request.user.units, usual=page.check.gauge)
    if form.is_valid():
        sent = {**form.operation(key), "op": str(uuid4()), "taken_at": timezone.now().isoformat()}
        try:
            refused = entries_apply(page.check, [sent], by=request.user).refused
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            if not refused:
                messages.success(request, _("Kept beside the earlier reading."))
                return redirect("key_detail", number, pk, key)
            form.add_error("value", refused[0].why)
    return page.show(again=form)


@require_POST
@allowed(TECHNICIAN)
def reading_withdraw(request: PersonRequest, number: int, pk: int, key: int) -> HttpResponse:
    """Withdraws one reading of the key: it stays in the list, and does not count any more."""
    page = _KeyPage(request, check_for(number, pk), key)
    sent = {
        "op": str(uuid4()),
        "kind": WITHDRAW,
        "key": key,
        "of": request.POST.get("op", ""),
        "taken_at": timezone.now().isoformat(),
    }
    try:
        refused = entries_apply(page.check, [sent], by=request.user).refused
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        if refused:
            messages.error(request, refused[0].why)
        else:
            messages.success(request, _("Withdrawn."))
    return redirect("key_detail", number, pk, key)


class _KeyPage:
    """One key of one check: its rows, its form, its page."""

    def __init__(self, request: PersonRequest, check: Check, key: int):
        self.request, self.check, self.key = request, check, key
        self.compass = compass_for(check.job)
        if key not in self.compass.present:
            raise Http404
        self.readings = list(check.keys.all())
        self.row = next((row for row in self.readings if row.key == key), KeyReading(check_done=check, key=key))
        self.findings = list(Finding.objects.all())
        self.quantities = [
            slug for slug in QUANTITIES if slug in check.quantities or getattr(self.row, slug) is not None
        ]
        self.may_write = may(request.user, TECHNICIAN) and not check.is_closed

    @property
    def neighbours(self) -> tuple[int | None, int | None]:
        keys = self.check.wanted(self.compass.present)
        before = max((key for key in keys if key < self.key), default=None)
        behind = min((key for key in keys if key > self.key), default=None)
        return before, behind

    def form(self, data: Any = None) -> KeyForm:
        return KeyForm(
            data,
            row=self.row,
            quantities=self.quantities,
            findings=self.findings,
            units=self.request.user.units,
            gauge=self.check.gauge,
        )

    def keep(self, form: KeyForm) -> bool:
        """Keeps all of the form or nothing of it; what was refused stands beside its field then."""
        changes = form.changes()
        try:
            result = entries_write(
                self.check, [change for _field, change in changes], by=self.request.user, all_or_none=True
            )
        except Refused as refusal:
            form.add_error(None, str(refusal))
            return False
        for refused in result.refused:
            form.add_error(changes[refused.index][0], refused.why)
        return not result.refused

    def show(self, *, form: KeyForm | None = None, again: AgainForm | None = None) -> HttpResponse:
        units, keys = self.request.user.units, self.compass.keys
        titles = {finding.code: finding.title for finding in self.findings}
        held = assumptions_for(self.check.job)
        marks = [
            (quantity_title(quantity), why)
            for quantity in self.quantities
            if (why := mark_of(self.row, quantity, odd=self.key in odd_keys(self.readings, quantity, held))[1])
        ]
        before, behind = self.neighbours
        context = {
            "job": self.check.job,
            "check": self.check,
            "key": self.key,
            "name": keys.name(self.key),
            "sharp": keys.is_sharp(self.key),
            "broken": self.key in self.compass.broken,
            "row": self.row,
            "marks": marks,
            "form": form or self.form(),
            "again_form": again or AgainForm(quantities=tuple(QUANTITIES), units=units, usual=self.check.gauge),
            "log": self._log(titles),
            "columns": columns_of(self.quantities, units),
            **self._history(titles),
            "may_write": self.may_write,
            "before": before and (before, keys.name(before)),
            "behind": behind and (behind, keys.name(behind)),
        }
        return render(self.request, "keyboards/readings/key.html", context)

    def _log(self, titles: dict[str, str]) -> list[LoggedEntry]:
        rows = self.check.entries.filter(key=self.key).select_related("by", "gauge", "photo_angle__photo")
        entries = list(rows.order_by("-taken_at", "-op"))
        standing = {entry.op for entry in in_force(entries)}
        return [
            LoggedEntry(
                op=str(entry.op),
                what=_what(entry, titles),
                figure=f"{entry.typed} {unit_sign(entry.unit)}" if entry.kind == READING else "",
                text=_logged(entry),
                by=entry.by.short_name,
                at=entry.taken_at,
                gauge=str(entry.gauge or ""),
                withdrawn=entry.op not in standing,
                may_withdraw=self.may_write and entry.kind == READING and entry.op in standing,
                evidence=getattr(entry, "photo_angle", None),
            )
            for entry in entries
            if entry.kind != WITHDRAW
        ]

    def _history(self, titles: dict[str, str]) -> dict[str, Any]:
        """The same note in other checks of the instrument: what of this check's quantities was read there, a column
        each. A set that begins on another note numbers it otherwise."""
        note = self.compass.first_midi + self.key - F("key")
        earlier = list(
            KeyReading.objects.filter(check_done__job__instrument_id=self.check.job.instrument_id)
            .filter(check_done__job__compass__first_midi=note)
            .exclude(check_done=self.check)
            .select_related("check_done__job")
            .order_by("-check_done__begun_at", "-check_done_id")
        )
        columns = [
            column
            for column in columns_of(self.quantities, self.request.user.units)
            if any(getattr(row, column.quantity) is not None for row in earlier)
        ]
        history = [
            {
                "check": row.check_done,
                "texts": _texts(row, columns),
                "findings": findings_words(row, titles),
                "row": row,
            }
            for row in earlier
        ]
        return {"read_elsewhere": columns, "history": history}


def _texts(row: KeyReading, columns: Iterable[Column]) -> list[str]:
    values = [(column, getattr(row, column.quantity)) for column in columns]
    return ["" if value is None else figure(column.quantity, value, column.unit) for column, value in values]


def _what(entry: Entry, titles: dict[str, str]) -> str:
    if entry.kind in (READING, SKIP):
        return quantity_title(entry.quantity)
    return titles.get(entry.finding, entry.finding) if entry.kind == FINDING else str(entry.get_kind_display())


def _logged(entry: Entry) -> str:
    if entry.kind == FINDING:
        return str(entry.value) if entry.value else _("taken off")
    if entry.kind == GRADE:
        return entry.text if entry.value is None else f"{entry.value} · {entry.text}"
    return _("skipped: %(why)s") % {"why": entry.text} if entry.kind == SKIP else entry.text


# --- files ---


@require_safe
@allowed()
def check_csv(request: PersonRequest, number: int, pk: int) -> HttpResponse:
    """What holds in the check as comma-separated values: a line a reading, a finding, a note."""
    check = check_for(number, pk)
    facts = _facts(check.keys.all(), request.user.units)
    return download(write_sheet(facts), f"{check.job.tag}-{check.kind}-{check.pk}.csv")


def _facts(readings: Iterable[KeyReading], units: str) -> Iterable[Fact]:
    for row in readings:
        for quantity in QUANTITIES:
            value = getattr(row, quantity)
            if value is not None:
                unit = entry_unit(quantity, units)
                yield Fact(row.key, quantity=quantity, value=_exact(value, unit), unit=unit)
        for code, severity in sorted(row.findings.items()):
            yield Fact(row.key, finding=code, severity=severity)
        if row.note:
            yield Fact(row.key, note=row.note)


def _exact(canonical: int, unit: str) -> str:
    text = show(canonical, unit, _CSV_UNITS[unit])
    return text.rstrip("0").rstrip(".")


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def check_csv_read(request: PersonRequest, number: int, pk: int) -> HttpResponse:
    """Brings readings in from a file: first what would be kept and what not, line by line, then what is good.

    Lines that are not good come back in the text field, to be put right there: none is lost.
    """
    check = check_for(number, pk)
    compass = compass_for(check.job)
    context: dict[str, Any] = {"job": check.job, "check": check, "heading": check.get_kind_display()}
    form = FileForm(request.POST, request.FILES) if request.method == "POST" else FileForm()
    if not form.is_bound or not form.is_valid():
        return render(request, "keyboards/readings/file.html", {**context, "form": form})
    sheet = read_sheet(form.cleaned_data["lines"], compass.keys)
    if sheet.problem:
        form.add_error("file", sentence(sheet.problem))
        return render(request, "keyboards/readings/file.html", {**context, "form": form})
    bad = {index: sentence(line.problem) for index, line in enumerate(sheet.lines) if line.problem}
    keep = "keep" in request.POST
    try:
        bad |= refused_lines(check, sheet.lines, bad, by=request.user, trial=True)
        if keep:
            bad |= refused_lines(check, sheet.lines, bad, by=request.user)
    except Refused as refusal:
        form.add_error(None, str(refusal))
        return render(request, "keyboards/readings/file.html", {**context, "form": form})
    good = len(sheet.lines) - len(bad)
    if keep:
        words = ngettext("%(count)d line brought in.", "%(count)d lines brought in.", good)
        messages.success(request, words % {"count": good})
        if not bad:
            return redirect("check_detail", number, pk)
    left = [(line, bad.get(index, "")) for index, line in enumerate(sheet.lines) if index in bad or not keep]
    text = "\n".join([sheet.header, *(line.text for line, _why in left)])
    context |= {
        "form": FileForm(initial={"text": text}),
        "looked": True,
        "kept": keep,
        "good": good,
        "bad": [(line, why) for line, why in left if why],
    }
    return render(request, "keyboards/readings/file.html", context)


def refused_lines(
    check: Check,
    lines: Sequence[Line],
    bad: Mapping[int, str],
    *,
    by: Person,
    trial: bool = False,
    taken_at: datetime.datetime | None = None,
) -> dict[int, str]:
    """Keeps the lines that are not bad (on trial: would keep them); index of a line -> why the check refuses it."""
    sent = [(index, change) for index, line in enumerate(lines) if index not in bad for change in line.changes]
    result = entries_write(check, [change for _index, change in sent], by=by, trial=trial, taken_at=taken_at)
    return {sent[refused.index][0]: refused.why for refused in result.refused}
