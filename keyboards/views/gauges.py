"""The shop's measuring instruments and its list of findings."""

from django.contrib import messages
from django.db.models import F
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from keyboards.forms.gauges import FindingForm, GaugeForm
from keyboards.models import Finding, FindingGroup, Gauge
from keyboards.workflow import gauges as workflow
from shop.access import TECHNICIAN, PersonRequest, allowed, fetch, may


@require_safe
@allowed()
def gauge_list(request: PersonRequest) -> HttpResponse:
    """Every instrument with its uncertainty and the day it was last checked; those out of use come last."""
    gauges = Gauge.objects.order_by(F("retired_at").asc(nulls_first=True), "kind", "name")
    context = {"gauges": gauges, "may_write": may(request.user, TECHNICIAN)}
    return render(request, "keyboards/gauges/list.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def gauge_add(request: PersonRequest) -> HttpResponse:
    """A new instrument."""
    return _gauge(request, Gauge())


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def gauge_edit(request: PersonRequest, pk: int) -> HttpResponse:
    """Changes an instrument, or takes it out of use."""
    return _gauge(request, fetch(Gauge.objects.all(), pk=pk))


def _gauge(request: PersonRequest, gauge: Gauge) -> HttpResponse:
    form = GaugeForm(request.POST if request.method == "POST" else None, instance=gauge)
    if form.is_bound and form.is_valid():
        row = form.save(commit=False)
        _turn(request, row)
        workflow.gauge_keep(row, by=request.user)
        messages.success(request, _("Kept."))
        return redirect("gauge_list")
    return render(request, "keyboards/gauges/edit.html", {"form": form, "gauge": gauge})


@require_safe
@allowed()
def finding_list(request: PersonRequest) -> HttpResponse:
    """The findings a technician ticks, in their groups."""
    rows = list(Finding.objects.all())
    groups = [(group.label, [row for row in rows if row.group == group]) for group in FindingGroup]
    context = {"groups": [pair for pair in groups if pair[1]], "may_write": may(request.user, TECHNICIAN)}
    return render(request, "keyboards/gauges/findings.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def finding_add(request: PersonRequest) -> HttpResponse:
    """A new finding."""
    return _finding(request, Finding())


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def finding_edit(request: PersonRequest, code: str) -> HttpResponse:
    """Changes a finding's words, group, grade or place, or takes it off the list."""
    return _finding(request, fetch(Finding.objects.all(), code=code))


def _finding(request: PersonRequest, finding: Finding) -> HttpResponse:
    form = FindingForm(request.POST if request.method == "POST" else None, instance=finding)
    if form.is_bound and form.is_valid():
        row = form.save(commit=False)
        _turn(request, row)
        workflow.finding_keep(row, by=request.user)
        messages.success(request, _("Kept."))
        return redirect("finding_list")
    return render(request, "keyboards/gauges/finding.html", {"form": form, "finding": finding})


def _turn(request: PersonRequest, row: Gauge | Finding) -> None:
    if row.pk:
        workflow.turn(row, in_use="retire" not in request.POST)
