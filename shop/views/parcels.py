"""Everything of one set, one piano or one client to take away, as one file."""

import tempfile
from pathlib import Path

from django.contrib import messages
from django.http import FileResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from shop.access import OWNER, PersonRequest, allowed, fetch, job_for
from shop.models import Client, Instrument, Job
from shop.workflow.parcels import parcel_make, parcel_of
from shop.workflow.refusal import Refused


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(OWNER)
def job_parcel(request: PersonRequest, number: int) -> HttpResponseBase:
    """What a parcel holds, with a button each for the set, its piano and its client; sent, that of the set."""
    job = job_for(number)
    if request.method == "POST":
        return _parcel(request, job, job)
    return render(request, "shop/jobs/parcel.html", {"job": job})


@require_POST
@allowed(OWNER)
def instrument_parcel(request: PersonRequest, instrument_id: int) -> HttpResponseBase:
    """The piano with all its sets."""
    instrument = fetch(Instrument.objects.all(), pk=instrument_id)
    return _parcel(request, instrument, instrument.jobs.first())


@require_POST
@allowed(OWNER)
def client_parcel(request: PersonRequest, client_id: int) -> HttpResponseBase:
    """The client with all pianos and sets."""
    client = fetch(Client.objects.all(), pk=client_id)
    return _parcel(request, client, client.jobs.first())


def _parcel(request: PersonRequest, subject: Job | Instrument | Client, job: Job | None) -> HttpResponseBase:
    with tempfile.TemporaryDirectory() as folder:
        try:
            path = parcel_make(Path(folder), parcel_of(subject), by=request.user)
        except Refused as refusal:
            messages.error(request, str(refusal))
            return redirect("job_parcel", job.number) if job else redirect("counter")
        # Open, it outlives its name.
        return FileResponse(path.open("rb"), as_attachment=True, filename=path.name, content_type="application/zip")
