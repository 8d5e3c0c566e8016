"""The bench run: a check read key by key on a tablet. Its script keeps working where there is no network."""

from functools import cache

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from keyboards import pictures
from keyboards.models import Check
from keyboards.running import run_data, words
from keyboards.views.checks import compass_for
from shop.access import TECHNICIAN, PersonRequest, allowed, fetch, open_to_all


@require_safe
@allowed(TECHNICIAN)
def check_run(request: PersonRequest, pk: int) -> HttpResponse:
    """Key pad, row and plot of one check; a closed one says so and leads back."""
    rows = Check.objects.select_related("job__client", "job__instrument", "job__compass", "gauge")
    check = fetch(rows, pk=pk)
    compass = compass_for(check.job)
    context = {"job": check.job, "check": check}
    if not check.is_closed:
        faces = pictures.faces(compass, check.keys.all())
        context |= {
            "data": run_data(check, compass, request.user),
            "orders": orders(check, asked=bool(request.GET.get("keys"))),
            "reasons": reasons(),
            "row": pictures.row_svg(faces, uid="run", title=str(check), current=compass.present[0], live=True),
        }
    return render(request, "keyboards/runs/run.html", context)


def orders(check: Check, *, asked: bool = False) -> list[tuple[str, str]]:
    """In which order the keys may be read, as the script knows them, in words. asked: keys stand in the address."""
    rows = [
        ("up", _("bass to treble")),
        ("down", _("treble to bass")),
        ("colour", _("naturals, then sharps")),
        ("unread", _("those not read yet")),
        ("again", _("those to look at again")),
    ]
    sample = [("sample", _("the sample"))] if check.sample else []
    if asked:
        sample = [("asked", _("the keys asked for")), *sample]
    return [*rows, *sample, ("step", _("one key of every"))]  # the field for how many stands behind the last


def reasons() -> list[str]:
    """Why a reading is left out, to be tapped; the usual one first. What was tapped is kept as the words say."""
    return [
        _("could not be measured"),
        _("part broken or missing"),
        _("cloth or glue in the way"),
        _("later, with another gauge"),
    ]


@require_safe
@allowed()
def box_contents(request: PersonRequest) -> HttpResponse:
    """What still lies on this tablet: the page is empty until its script has looked."""
    data = {
        "person": {"id": request.user.pk, "name": request.user.short_name},
        "addresses": {
            "operations": reverse("operations", args=[0]),
            "photos": reverse("photo_send", args=[0]),
            "token": reverse("bench_token"),
            "worker": reverse("bench_worker"),
            "run": reverse("check_run", args=[0]),
        },
        "words": words(),
    }
    return render(request, "keyboards/runs/box.html", {"data": data})


@cache
def _worker() -> bytes:
    return (settings.BASE_DIR / "static" / "js" / "worker.js").read_bytes()


@require_safe
@never_cache
@open_to_all
def bench_worker(request: HttpRequest) -> HttpResponse:
    """The service worker. It stands under /bench/, since a worker serves the addresses below its own alone."""
    return HttpResponse(_worker(), content_type="text/javascript; charset=utf-8")
