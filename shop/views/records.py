"""The records: finding a set, a client, a piano, years later."""

from urllib.parse import urlencode

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from shop import rack, searching
from shop.access import PersonRequest, allowed, fetch
from shop.core.route import BENCH, DONE
from shop.htmx import asks_as_typed, page_or_part
from shop.models import Client, Instrument, Job, Person
from shop.models.searches import LONGEST
from shop.workflow.searches import search_forget, search_keep, search_remember


@require_safe
@allowed()
def records(request: PersonRequest) -> HttpResponse:
    """Every set that ever came in, found by whatever is known of it."""
    text = _typed(request.GET.get("q", ""))
    found = searching.find(text)
    pages = Paginator(found.jobs.values_list("pk", flat=True), searching.A_PAGE)
    pages.count = found.count  # counted already
    page = pages.get_page(request.GET.get("page"))
    keys = found.first if page.number == 1 else list(page.object_list)
    jobs = Job.objects.prefetch_related("uses__lot__material") if found.words else Job.objects.all()
    rows = rack.rows(jobs.listed(keys), timezone.now())
    as_typed = asks_as_typed(request)
    if found.number and found.count == 1 and found.number == rows[0].job.number and not as_typed:
        return redirect("job_detail", rows[0].job.number)
    if text and rows and not as_typed:
        search_remember(request.user, text)
    context = {
        "q": text,
        "page": page,
        "found": found,
        "rows": [(row, searching.why(row.job, found.words)) for row in rows],
    }
    return page_or_part(request, "shop/records/search.html", context | _searches(request.user, text))


@require_POST
@allowed()
def search_keep_as(request: PersonRequest) -> HttpResponse:
    """Keeps a search under a name, for the person who is signed in."""
    text, title = _typed(request.POST.get("q", "")), _typed(request.POST.get("title", ""))[:60] or ""
    if not text:
        messages.error(request, _("There is nothing to keep: search first."))
        return redirect("records")
    search_keep(request.user, text, title or text[:60])
    messages.success(request, _("Kept. It stands above the records from now on."))
    return redirect(f"{reverse('records')}?{urlencode({'q': text})}")


@require_POST
@allowed()
def search_drop(request: PersonRequest, search_id: int) -> HttpResponse:
    """Forgets one of the person's own searches."""
    if not search_forget(request.user, search_id):
        raise Http404
    return redirect("records")


def _typed(text: str) -> str:
    return " ".join(text.replace("\x00", "").split())[:LONGEST].strip()


def _searches(person: Person, text: str) -> dict[str, object]:
    mine = list(person.searches.all())
    return {
        "kept": sorted((one for one in mine if one.title), key=lambda one: one.title.casefold()),
        "recent": [one for one in mine if not one.title],
        "is_kept": any(one.title and one.text == text for one in mine),
    }


@require_safe
@allowed()
def instrument_detail(request: PersonRequest, instrument_id: int) -> HttpResponse:
    """A piano with every job and check it ever had."""
    instrument = fetch(Instrument.objects.select_related("client"), pk=instrument_id)
    jobs = list(instrument.jobs.for_lists().prefetch_related("uses__lot__material").order_by("-number"))
    rows = rack.rows(jobs, timezone.now())
    last = next((row for row in rows if row.job.left_at), None)
    done = (
        [stage.title for stage in last.job.stages.all() if stage.state == DONE and stage.whose == BENCH] if last else []
    )
    context = {"instrument": instrument, "rows": rows, "last": last, "done": done}
    return render(request, "shop/records/instrument.html", context)


@require_safe
@allowed()
def client_detail(request: PersonRequest, client_id: int) -> HttpResponse:
    """A client with their pianos and sets."""
    client = fetch(Client.objects.all(), pk=client_id)
    rows = rack.rows(client.jobs.for_lists().order_by("-number"), timezone.now())
    pianos = client.instruments.annotate(times=Count("jobs"))
    return render(request, "shop/records/client.html", {"client": client, "rows": rows, "pianos": pianos})
