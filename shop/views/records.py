"""The records: finding a set, a client, a piano, years later."""

from django.core.paginator import Paginator
from django.db.models import Count, Q
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from shop import rack
from shop.access import PersonRequest, allowed, fetch
from shop.core import tags
from shop.core.errors import MeasurementError
from shop.htmx import asks_as_typed, page_or_part
from shop.models import Client, Instrument, Job, search_key
from shop.models.jobs import JobQuerySet

_A_PAGE = 25
_LONGEST = 100


def _tag_number(text: str) -> int | None:
    try:
        return tags.parse_job_tag(text)
    except MeasurementError:
        return None


def found(text: str) -> JobQuerySet:
    """Jobs in which every word of the text is found: in the tag, the client, the maker, the model, the serial number.

    Words are folded as the find columns are, so that spelling, accents and spaces do not matter; the whole text
    without its spaces is tried too, for serial numbers written in groups.
    """
    rows = Job.objects.order_by("-number")
    words = [key for key in (search_key(word) for word in text.split()) if key]
    if not words:
        return rows
    every_word = Q()
    for word in words:
        every_word &= Q(client__find__contains=word) | Q(instrument__find__contains=word)
    together = search_key(text)
    whole = Q(instrument__find__contains=together) | Q(client__find__contains=together)
    number = _tag_number(text)
    return rows.filter(every_word | whole | (Q(number=number) if number else Q(pk__in=[])))


@require_safe
@allowed()
def records(request: PersonRequest) -> HttpResponse:
    """Every set that ever came in, found by tag, client, maker or serial number."""
    text = request.GET.get("q", "").replace("\x00", "").strip()[:_LONGEST]
    page = Paginator(found(text).for_lists(), _A_PAGE).get_page(request.GET.get("page"))
    rows = rack.rows(page.object_list, timezone.now())
    if text and page.paginator.count == 1 and _tag_number(text) == rows[0].job.number and not asks_as_typed(request):
        return redirect("job_detail", rows[0].job.number)
    return page_or_part(request, "shop/records/search.html", {"q": text, "page": page, "rows": rows})


@require_safe
@allowed()
def instrument_detail(request: PersonRequest, instrument_id: int) -> HttpResponse:
    """A piano with every job and check it ever had."""
    instrument = fetch(Instrument.objects.select_related("client"), pk=instrument_id)
    jobs = list(instrument.jobs.for_lists().prefetch_related("uses__lot__material").order_by("-number"))
    rows = rack.rows(jobs, timezone.now())
    return render(request, "shop/records/instrument.html", {"instrument": instrument, "rows": rows})


@require_safe
@allowed()
def client_detail(request: PersonRequest, client_id: int) -> HttpResponse:
    """A client with their pianos and sets."""
    client = fetch(Client.objects.all(), pk=client_id)
    rows = rack.rows(client.jobs.for_lists().order_by("-number"), timezone.now())
    pianos = client.instruments.annotate(times=Count("jobs"))
    return render(request, "shop/records/client.html", {"client": client, "rows": rows, "pianos": pianos})
