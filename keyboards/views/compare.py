"""Two checks of one piano held against each other."""

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.formats import date_format
from django.views.decorators.http import require_safe

from keyboards import comparing
from keyboards.forms.compare import CompareForm
from keyboards.forms.tools import TANGENTIAL
from keyboards.models import Check
from shop.access import PersonRequest, allowed, fetch
from shop.downloads import download
from shop.htmx import page_or_part
from shop.models import Instrument


def _title(check: Check) -> str:
    day = date_format(timezone.localdate(check.begun_at), "DATE_FORMAT")
    return f"{day} · {check.job.tag} · {check.get_kind_display()}"


def _form(request: HttpRequest, checks: list[Check]) -> CompareForm:
    """What the address asks for, and for the rest the pair one mostly wants."""
    pair = comparing.usual_pair(checks)
    start: dict[str, Any] = {"wood": "sugar maple", "direction": TANGENTIAL}
    if pair:
        start |= {"before": pair[0].pk, "after": pair[1].pk}
    asked = {name: request.GET[name] for name in (*start, "before", "after") if name in request.GET}
    return CompareForm(start | asked, checks=checks, titles=[_title(check) for check in checks])


def _between(form: CompareForm, checks: list[Check], units: str) -> comparing.Between | None:
    if not form.is_valid():
        return None
    by_pk = {check.pk: check for check in checks}
    data = form.cleaned_data
    return comparing.between(
        by_pk[data["before"]],
        by_pk[data["after"]],
        units=units,
        wood=data["wood"],
        tangential=data["direction"] == TANGENTIAL,
    )


@require_safe
@allowed()
def checks_compare(request: PersonRequest, instrument_id: int) -> HttpResponse:
    """Any two checks of a piano on the same row and the same scale."""
    instrument = fetch(Instrument.objects.select_related("client"), pk=instrument_id)
    checks = comparing.checks_of(instrument)
    form = _form(request, checks)
    found = _between(form, checks, request.user.units) if len(checks) > 1 else None
    context = {
        "instrument": instrument,
        "enough": len(checks) > 1,
        "checks": checks,
        "form": form,
        "found": found,
        "keys": comparing.key_rows(found) if found else [],
        "apart": [(_title(check), comparing.was_read(check)) for check in (found.before, found.after)] if found else [],
        "asked": request.GET.urlencode(),
    }
    return page_or_part(request, "keyboards/compare/checks.html", context, part="compared")


@require_safe
@allowed()
def checks_compare_csv(request: PersonRequest, instrument_id: int) -> HttpResponse:
    """The same as a table for a spreadsheet."""
    instrument = fetch(Instrument.objects.all(), pk=instrument_id)
    checks = comparing.checks_of(instrument)
    found = _between(_form(request, checks), checks, "mm") if len(checks) > 1 else None
    if found is None:
        raise Http404
    name = f"{found.before.job.tag}-{found.before.pk}-{found.after.job.tag}-{found.after.pk}.csv"
    return download(comparing.as_csv(found), name)
