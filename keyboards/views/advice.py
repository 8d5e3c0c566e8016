"""Cloth or buttons: the advice on a set, its assumptions and sections, the decision taken on it."""

from dataclasses import dataclass
from itertools import accumulate
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods

from keyboards import advising, pictures
from keyboards.core import spread
from keyboards.core.advice import OPTIONS, Advice, SectionAdvice
from keyboards.core.assumptions import effective
from keyboards.core.keys import format_keys
from keyboards.core.quantities import show
from keyboards.drawing.plots import Band, Plot, Series
from keyboards.drawing.row import Section
from keyboards.forms.advice import AssumptionsForm, DecisionForm, SampleForm, SectionRow, SectionsForm
from keyboards.models import Check, CheckKind, Compass, Decision
from keyboards.workflow.decisions import assumptions_keep, decision_record, sections_keep
from shop.access import OWNER, TECHNICIAN, PersonRequest, allowed, fetch, job_for, may
from shop.htmx import asks_as_typed, page_or_part
from shop.models import Job, Operation, Workshop
from shop.workflow.refusal import Refused

_INCH = 25.4
_TAIL = 0.05


@dataclass(frozen=True)
class Cell:
    """One option of one section in the table."""

    title: str
    cost: float
    advised: bool
    barred: bool
    same: bool


@dataclass(frozen=True)
class Row:
    """One section as the table and the fold under it show it."""

    section: SectionAdvice
    skew: str
    cells: list[Cell]
    advice: str
    detail: str
    breakdown: list[tuple[str, list[tuple[str, Any]], Any]]
    flips: list[str]
    turn: str
    likely: str


def _skew_words(section: SectionAdvice) -> str:
    first, last = section.skew_level, section.skew_level_end
    if first is None or last is None:
        return _("not measured")
    if section.skew_kind in ("fan", "steps"):
        words = (
            _("fans %(first).1f° to %(last).1f°")
            if section.skew_kind == "fan"
            else _("steps %(first).1f° to %(last).1f°")
        )
        return words % {"first": round(first, 1) + 0.0, "last": round(last, 1) + 0.0}
    if section.skew_kind == "straight" or abs(first) < 0.25:
        return _("square")
    return _("%(angle)+.1f°") % {"angle": first}


def _detail(section: SectionAdvice) -> str:
    keys, failing = len(section.keys), section.reckoned
    return {
        "reclothe": _("all %(keys)d") % {"keys": keys},
        "reclothe_with_repairs": ngettext("%(failing)d mortise lined", "%(failing)d mortises lined", failing)
        % {"failing": failing},
        "renew_failing": _("%(failing)d of %(keys)d") % {"failing": failing, "keys": keys},
        "renew_section": _("all %(keys)d") % {"keys": keys},
    }.get(section.advised, "")


def _input_words(name: str) -> str:
    """An input of the costs in words."""
    words = {
        "hourly_rate": _("the hourly rate"),
        "minutes_strip": _("minutes to strip a key"),
        "minutes_cloth": _("minutes to cloth a key"),
        "cloth_material": _("the price of cloth"),
        "minutes_repair": _("minutes to line a mortise"),
        "repair_material": _("the material of a lining"),
        "setup_repair": _("the set-up of repairs"),
        "minutes_new_single": _("minutes for a single new button"),
        "minutes_new_batch": _("minutes for a button in a batch"),
        "button_material": _("the wood of a button"),
        "setup_spec": _("the set-up of a button's shape"),
        "visit_fixed": _("the cost of a visit"),
        "visit_key": _("the cost of a key at a visit"),
        "p_ok": _("the chance that a sound key comes back"),
        "p_failing": _("the chance that a failing key with new cloth comes back"),
        "p_repaired": _("the chance that a lined mortise comes back"),
        "p_new": _("the chance that a new button comes back"),
    }
    return words[name]


def _flip_words(section: SectionAdvice, percent: int) -> list[str]:
    out = []
    for flip in section.flips:
        for option, words in (
            (flip.up, _("%(percent)d %% more for %(input)s would make it: %(option)s.")),
            (flip.down, _("%(percent)d %% less for %(input)s would make it: %(option)s.")),
        ):
            if option:
                out.append(
                    words
                    % {"percent": percent, "input": _input_words(flip.name), "option": advising.option_title(option)}
                )
    return out


def _turn(section: SectionAdvice) -> str:
    """At how many failing keys the choice turns, and the chance that the count is on the other side."""
    if not section.breakeven or not section.runner_up:
        return ""
    return _(
        "%(gentle)s is cheaper below %(count)d failing keys, %(other)s from there on;"
        " the chance that the true count lies on the other side is %(chance)d %%."
    ) % {
        "gentle": advising.option_title(min(section.advised, section.runner_up, key=OPTIONS.index)),
        "other": advising.option_title(max(section.advised, section.runner_up, key=OPTIONS.index)),
        "count": section.breakeven,
        "chance": round(section.flip * 100),
    }


def _likely(section: SectionAdvice) -> str:
    """Between which counts the number of failing keys lies with a chance of nine in ten: "17–20"."""
    reached = list(accumulate(section.distribution))
    if not reached:
        return ""
    low = next(count for count, chance in enumerate(reached) if chance >= _TAIL)
    high = next((count for count, chance in enumerate(reached) if chance >= 1 - _TAIL), len(reached) - 1)
    return str(low) if low == high else f"{low}–{high}"


def _cells(section: SectionAdvice) -> list[Cell]:
    """The options; one that is the same work as a less invasive one is said to be so, not priced a cent apart."""
    cells, seen = [], []
    for row in section.options:
        same = row.lines in seen and row.option != section.advised
        advised = row.option == section.advised
        cells.append(Cell(advising.option_title(row.option), row.cost, advised, bool(row.against), same))
        seen.append(row.lines)
    return cells


def _rows(advice: Advice, titles: dict[str, str]) -> list[Row]:
    percent = round(advice.assumed.sensitivity_change * 100)
    rows = []
    for section in advice.sections:
        breakdown = [
            (
                advising.option_title(option.option),
                [(titles.get(line.code, line.code), line) for line in option.lines],
                option,
            )
            for option in section.options
        ]
        rows.append(
            Row(
                section=section,
                skew=_skew_words(section),
                cells=_cells(section),
                advice=advising.option_title(section.advised) if section.advised else "",
                detail=_detail(section),
                breakdown=breakdown,
                flips=_flip_words(section, percent),
                turn=_turn(section),
                likely=_likely(section),
            )
        )
    return rows


def _plots(advice: Advice, unit: str) -> list[Plot]:
    """Mortise width with the band that one cloth serves; the angles with the sections found; the clearance to come."""
    per = _INCH if unit == "in" else 1.0
    decimals = 3 if unit == "in" else 2
    held = advice.assumed
    plots = []
    widths = {key.key: key.width / per for key in advice.keys if key.width is not None}
    if widths:
        pin = spread.robust_spread([key.pin for key in advice.keys]).median
        largest = max((row for row in advice.sections if row.cloth), key=lambda row: len(row.keys))
        cloth = largest.cloth.one if largest.cloth else 0.0
        middle = pin + held.clearance + 2 * (1 - held.compression) * cloth
        plots.append(
            Plot(
                title=_("mortise width"),
                unit=unit,
                series=[Series(widths)],
                band=Band(
                    (middle + held.lower) / per,
                    (middle + held.upper) / per,
                    _("fits one cloth of %(cloth)s %(unit)s")
                    % {"cloth": show(round(cloth * 1000), unit, decimals), "unit": unit},
                ),
                outliers=frozenset(advice.impossible),
                centre=middle / per,
                decimals=decimals,
            )
        )
    angles = {key.key: key.skew for key in advice.keys if key.skew is not None}
    if angles:
        levels = [
            Section(row.first, row.last, "", row.skew_level, row.skew_level_end)
            for row in advice.sections
            if row.skew_level is not None
        ]
        plots.append(
            Plot(
                title=_("skew"),
                unit="°",
                series=[Series(angles)],
                sections=levels,
                outliers=frozenset(advice.skew.outliers) if advice.skew else frozenset(),
                centre=0.0,
                decimals=1,
                height=76,
            )
        )
    after = {key.key: key.after / per for key in advice.keys if key.after is not None}
    if after:
        plots.append(
            Plot(
                title=_("clearance expected after the advised work"),
                unit=unit,
                series=[Series(after)],
                band=Band((held.clearance + held.lower) / per, (held.clearance + held.upper) / per, _("as wanted")),
                decimals=decimals,
                height=76,
            )
        )
    return plots


def _pictures(job: Job, advice: Advice, unit: str) -> dict[str, str]:
    compass = Compass.objects.get(job=job)
    basis = Check.objects.get(pk=advice.basis.check) if advice.basis else None
    faces = pictures.faces(compass, pictures.standing_rows(basis) if basis else [])
    plots = _plots(advice, unit)
    sections = [Section(row.first, row.last, f"{row.title} {row.first}–{row.last}") for row in advice.sections]
    title = _("The keys of %(tag)s") % {"tag": job.tag}

    href = None
    if advice.basis is not None:
        href = reverse("key_detail", args=[job.number, advice.basis.check, 0]).replace("/0/", "/{number}/")

    def drawn(uid: str, split: int, width: float) -> str:
        return pictures.row_svg(
            faces, uid=uid, title=title, plots=plots, sections=sections, split=split, width=width, href=href
        )

    return {"wide": drawn("advice-wide", 1, 1104), "narrow": drawn("advice-narrow", 3, 360)}


def _context(request: PersonRequest, job: Job, form: AssumptionsForm | None = None, **more: Any) -> dict[str, Any]:
    unit, workshop = request.user.units, Workshop.ours()
    found = advising.assumptions_of(job)
    shop = advising.assumptions_of(None).assumed
    basis = more.pop("basis", None) or advising.basis_for(job)
    advice = advising.advise(job, basis, found.assumed)
    if form is None:
        form = AssumptionsForm(None, held=found.assumed, shop=shop, unit=unit, currency=workshop.currency)
    titles = dict(Operation.objects.values_list("code", "title"))
    decision = Decision.objects.filter(job=job).select_related("by").first()
    context = {
        "job": job,
        "advice": advice,
        "currency": workshop.currency,
        "rows": _rows(advice, titles) if advice.read else [],
        "option_titles": [advising.option_title(option) for option in OPTIONS],
        "reasons": _reasons(advice, unit),
        "picture": _pictures(job, advice, unit) if advice.read else None,
        "plans": [_plan(advice, plan) for plan in advice.plans],
        "groups": form.groups(found.assumed),
        "shown": form.kept,
        "section_rows": [SectionRow(row.title, str(row.last)) for row in advice.sections] + [SectionRow("", "")],
        "decision": decision,
        "may_decide": may(request.user, TECHNICIAN, OWNER),
        "decision_form": DecisionForm(advice=advice) if advice.read else None,
        "sample_form": SampleForm(),
        "failing_keys": format_keys([key for row in advice.sections for key in row.failing]),
    }  # fmt: skip
    return {**context, **more}


def _reasons(advice: Advice, unit: str) -> list[tuple[str, list[str]]]:
    """Section by section, then what is about the whole set, each with its sentences."""
    titles = [section.title for section in advice.sections]
    found: dict[int | None, list[str]] = {}
    for reason in advice.reasons:
        found.setdefault(reason.section, []).append(advising.sentence(reason, unit))
    return [(_("The set") if place is None else titles[place], words) for place, words in found.items()]


def _plan(advice: Advice, plan: Any) -> dict[str, Any]:
    names = {
        "cheapest": _("Least work"),
        "advised": _("As advised"),
        "all_new": _("All new buttons"),
    }
    parts = [
        f"{section.title}: {advising.option_title(option)}"
        for section, option in zip(advice.sections, plan.options, strict=True)
    ]
    return {
        "plan": plan,
        "title": names[plan.id],
        "parts": parts,
        "visit": round(plan.visit_chance * 100),
        "loose": round(plan.stays_loose),
    }


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN, OWNER)
def advice(request: PersonRequest, number: int) -> HttpResponse:
    """The advice on a set. POST changes an assumption, moves the sections, draws a sample, or takes the decision."""
    job = job_for(number)
    if request.method != "POST":
        return page_or_part(request, "keyboards/advice/detail.html", _context(request, job))
    act = request.POST.get("act", "")
    change = {
        "assumptions": _assumptions,
        "sections": _sections,
        "sections_found": _sections_found,
        "sample": _sample,
        "decide": _decide,
    }.get(act)
    if change is None:
        messages.error(request, _("This page did not understand what to do. Nothing was changed."))
        return redirect("advice", number)
    return change(request, job)


def _show(request: PersonRequest, job: Job, part: str = "", **more: Any) -> HttpResponse:
    return page_or_part(request, "keyboards/advice/detail.html", _context(request, job, **more), part=part)


def _assumptions(request: PersonRequest, job: Job) -> HttpResponse:
    unit, workshop = request.user.units, Workshop.ours()
    held, shop = advising.assumptions_of(job).assumed, advising.assumptions_of(None).assumed
    form = AssumptionsForm(request.POST, held=held, shop=shop, unit=unit, currency=workshop.currency)
    if form.values:
        found = assumptions_keep(job=job, values=form.values, by=request.user)
        form.errors.update({name: _(text) for name, text in found.errors.items() if name in form.values})
    if not asks_as_typed(request) and not form.errors:
        return redirect("advice", job.number)
    return _show(request, job, part="reckoned", form=form)


def _sections(request: PersonRequest, job: Job) -> HttpResponse:
    compass = Compass.objects.get(job=job)
    form = SectionsForm(request.POST, compass.keys)
    if form.has_errors:
        return _show(request, job, section_rows=form.rows or [SectionRow("", "", _("Name at least one section."))])
    sections_keep(job=job, sections=form.sections, by=request.user)
    if asks_as_typed(request):
        return _show(request, job)
    return redirect("advice", job.number)


def _sections_found(request: PersonRequest, job: Job) -> HttpResponse:
    sections_keep(job=job, sections=[], by=request.user)
    if asks_as_typed(request):
        return _show(request, job)
    return redirect("advice", job.number)


def _sample(request: PersonRequest, job: Job) -> HttpResponse:
    """Draws keys at random, spread over the keyboard; nothing is kept, the draw number draws them again."""
    form = SampleForm(request.POST)
    drawn: tuple[int, ...] = ()
    bound = None
    if form.is_valid():
        present = Compass.objects.get(job=job).present
        if form.cleaned_data["count"] > len(present):
            form.add_error("count", _("This set has %(keys)d keys here.") % {"keys": len(present)})
        else:
            drawn = spread.stratified_sample(present, form.cleaned_data["count"], form.cleaned_data["seed"])
            bound = spread.upper_failing(len(present), len(drawn), 0)
    return _show(request, job, sample_form=form, drawn=format_keys(drawn), drawn_bound=bound, sample_open=True)


def _decide(request: PersonRequest, job: Job) -> HttpResponse:
    checks = Check.objects.filter(job=job, kind__in=(CheckKind.ARRIVAL, CheckKind.STRIPPED))
    basis = fetch(checks.select_related("begun_by", "gauge"), pk=request.POST.get("basis") or 0)
    advice_now = advising.advise(job, basis)
    form = DecisionForm(request.POST, advice=advice_now)
    if not form.is_valid():
        return _show(request, job, decision_form=form)
    try:
        decision_record(job=job, basis=basis, chosen=form.chosen, by=request.user, reason=form.cleaned_data["reason"])
    except Refused as refusal:
        form.add_error(None, str(refusal))
        return _show(request, job, decision_form=form)
    messages.success(request, _("The decision is kept."))
    return redirect("advice", job.number)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def shop_assumptions(request: PersonRequest) -> HttpResponse:
    """The shop's own assumptions, which every job begins with."""
    unit, workshop = request.user.units, Workshop.ours()
    held, starting = advising.assumptions_of(None).assumed, effective({}, {}).assumed
    posted = request.POST if request.method == "POST" else None
    form = AssumptionsForm(posted, held=held, shop=starting, unit=unit, currency=workshop.currency)
    if posted is not None:
        if form.values:
            found = assumptions_keep(job=None, values=form.values, by=request.user)
            form.errors.update({name: _(text) for name, text in found.errors.items() if name in form.values})
            held = found.assumed
        if not form.errors:
            messages.success(request, _("Kept. Jobs with a value of their own keep it."))
            return redirect("shop_assumptions")
    return render(
        request, "keyboards/advice/shop.html", {"groups": form.groups(held), "shown": form.kept, "gaps": held.gaps}
    )
