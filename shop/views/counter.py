"""The counter: the rack with every set in the shop, and the page that logs one in."""

import datetime

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_http_methods, require_safe

from shop import rack
from shop.access import PersonRequest, allowed
from shop.core import route, tags
from shop.core.errors import MeasurementError
from shop.forms.counter import LogIn
from shop.htmx import go_to, page_or_part
from shop.models import Branch, Job
from shop.views.branches import shown as shown_branch
from shop.workflow import promises
from shop.workflow.jobs import LoggedInAlready
from shop.workflow.refusal import Refused

TURNS = {
    route.DESK: gettext_lazy("the counter"),
    route.BENCH: gettext_lazy("the bench"),
    route.OFFICE: gettext_lazy("the office"),
    route.CLIENT: gettext_lazy("the client"),
    rack.HELD: gettext_lazy("on hold"),
    rack.AWAY: gettext_lazy("it is away"),
}
# Sets that went home lately, one screen of them; older ones are found in the records.
_GONE = 40
_LONGEST_SEARCH = 100
# A page sent again within this time is a double click or an impatient one; later it may be meant as another set.
_SAME_CLICK = datetime.timedelta(minutes=2)


def _gone_lately(branch: Branch | None) -> QuerySet[Job]:
    return Job.objects.gone_home().at(branch).for_lists().order_by("-left_at", "-number")[:_GONE]


@require_safe
@allowed()
def counter(request: PersonRequest) -> HttpResponse:
    """Every set in the shop, or those that went home lately; by whose turn, late, or a piece of text."""
    now = timezone.now()
    text = request.GET.get("q", "").strip()[:_LONGEST_SEARCH]
    turn = request.GET.get("turn", "")
    turn = turn if turn in TURNS else ""
    late = request.GET.get("late") == "1"
    gone = request.GET.get("show") == "gone"
    if number := _whole_tag(text):
        return go_to(request, "job_detail", number)
    place = shown_branch(request)
    in_shop = rack.rows(Job.objects.on_the_rack().at(place.branch).for_lists(), now, promises.fears(at=now))
    rows = rack.rows(_gone_lately(place.branch), now) if gone else in_shop
    shown = [
        row
        for row in rows
        if (not turn or row.turn == turn) and (not late or row.days_late or row.fears) and rack.matches(row, text)
    ]
    asking = sum(bool(row.asks) for row in in_shop)
    context = {
        "rows": shown,
        "any_row": any(any(sign in "0123" for sign in row.job.grades) for row in shown),
        "count": len(in_shop),
        "told": _told(len(in_shop), asking),
        "filtered": bool(text or turn or late or place.branch),
        "shown": place,
        "q": text,
        "turn": turn,
        "late": late,
        "gone": gone,
        "turns": TURNS.items(),
    }
    return page_or_part(request, "shop/counter/rack.html", context)


def _told(count: int, asking: int) -> str:
    here = ngettext("%(count)d keyboard in the shop", "%(count)d keyboards in the shop", count) % {"count": count}
    needs = ngettext("%(count)d needs someone today", "%(count)d need someone today", asking) % {"count": asking}
    return f"{here} · {needs}"


def _whole_tag(text: str) -> int | None:
    """The number of a job whose whole tag was typed or scanned, K and all."""
    if not text.upper().startswith("K"):
        return None
    try:
        number = tags.parse_job_tag(text)
    except MeasurementError:
        return None
    return number if Job.objects.filter(number=number).exists() else None


@require_http_methods(["GET", "HEAD", "POST"])
@allowed()
def job_log_in(request: PersonRequest) -> HttpResponse:
    """Client, piano and what arrived on one page. GET with what was typed so far finds clients and instruments."""
    if request.method != "POST":
        typed = request.GET if request.GET.keys() - {"client", "instrument"} else None
        page = LogIn(
            typed,
            judge=False,
            client=request.GET.get("client", ""),
            instrument=request.GET.get("instrument", ""),
        )
        return page_or_part(request, "shop/counter/log_in.html", {"page": page})
    if "find" in request.POST:
        page = LogIn(request.POST, judge=False)
        return page_or_part(request, "shop/counter/log_in.html", {"page": page}, part="log_in")
    page = LogIn(request.POST, request.FILES)
    valid = page.is_valid()
    refusal = ""
    # Asked after the check: a first click that was kept meanwhile may be the only reason why the second is not valid.
    before = page.logged_in_before()
    if before is None and valid:
        try:
            job = page.save(by=request.user)
        except LoggedInAlready as already:
            before = already.job
        except Refused as refused:
            refusal = str(refused)
        else:
            messages.success(request, _("%(tag)s is in the shop. Print its tags and the receipt.") % {"tag": job.tag})
            return go_to(request, "job_detail", job.number)
    if before is not None:
        if timezone.now() - before.received_at < _SAME_CLICK:
            return go_to(request, "job_detail", before.number)
        page.turn_page()
        refusal = _("This page has logged in %(tag)s already. If this is another set, press once more.") % {
            "tag": before.tag
        }
    elif "op" in page.choice.errors:
        refusal = str(page.choice.errors["op"][0])
        page.turn_page()
    return page_or_part(request, "shop/counter/log_in.html", {"page": page, "refusal": refusal}, part="log_in")
