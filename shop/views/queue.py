"""The queue of the bench: what is reckoned to end when, what a rush would move, promises kept; calendar links."""

import hashlib
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.db.models import Max, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from shop.access import OWNER, PersonRequest, allowed, fetch, open_to_all
from shop.documents.calendar import feed as calendar_of
from shop.forms.queue import FeedForm, WhatIfForm
from shop.guessing import too_many_misses
from shop.links import quiet
from shop.models import Feed, Job, Workshop, token_hash
from shop.workflow import feeds, promises
from shop.workflow.refusal import Refused

_LONGEST_TOKEN = 100


@require_safe
@allowed()
def queue(request: PersonRequest) -> HttpResponse:
    """The queue, and what a rush job would move; nothing is written here."""
    places = promises.places()
    form = WhatIfForm(request.GET if "ask" in request.GET else None, jobs=[place.job for place in places])
    context: dict[str, Any] = {"places": places, "form": form, "asked": False}
    if form.is_bound and form.is_valid():
        first, hours = form.cleaned_data["first"], form.cleaned_data["hours"]
        finish, moves = promises.what_if(first=first, hours=float(hours or Decimal(0)))
        context |= {"asked": True, "first": first, "hours": hours, "finish": finish, "moves": moves}
    if request.user.role == OWNER:
        context |= {
            "on_time": promises.on_time(),
            "habits": promises.own_habits(),
            "workshop": Workshop.ours(),
            "feeds": Feed.objects.filter(withdrawn_at__isnull=True).select_related("created_by"),
            "feed_form": FeedForm(),
            "address": request.session.pop("new_feed", ""),
        }
    return render(request, "shop/queue/queue.html", context)


@require_POST
@allowed(OWNER)
def habits_accept(request: PersonRequest) -> HttpResponse:
    """Takes the shop's own spread and bias into the reckoning."""
    try:
        promises.habits_take_over(by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, _("Taken over. Promises are reckoned with them from now on."))
    return redirect("queue")


@require_POST
@allowed(OWNER)
def feed_new(request: PersonRequest) -> HttpResponse:
    """Makes a calendar link; its address is shown once."""
    form = FeedForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Give the link a name: for whom it is."))
        return redirect("queue")
    _feed, token = feeds.feed_make(title=form.cleaned_data["title"], by=request.user)
    request.session["new_feed"] = f"{settings.SITE_ADDRESS}{reverse('feed', args=[token])}"
    return redirect(f"{reverse('queue')}#feeds")


@require_POST
@allowed(OWNER)
def feed_withdraw(request: PersonRequest, feed_id: int) -> HttpResponse:
    """The link opens nothing from now on."""
    feeds.feed_withdraw(fetch(Feed.objects.all(), pk=feed_id), by=request.user)
    messages.success(request, _("Withdrawn: that link opens nothing any more."))
    return redirect("queue")


@require_safe
@open_to_all
def feed(request: HttpRequest, token: str) -> HttpResponse:
    """The calendar behind a secret link. One that is not there, or was withdrawn, is answered alike."""
    row = Feed.objects.filter(token_hash=token_hash(token[:_LONGEST_TOKEN]), withdrawn_at__isnull=True).first()
    if row is None:
        return quiet(HttpResponse(status=429 if too_many_misses(request) else 404))
    today = timezone.localdate()
    if row.last_seen_at is None or timezone.localdate(row.last_seen_at) != today:
        Feed.objects.filter(pk=row.pk).update(last_seen_at=timezone.now())
    rows = Job.objects.on_the_rack().filter(Q(promised_on__isnull=False) | Q(stage="leave")).for_lists()
    jobs = rows.annotate(touched=Max("events__at"))
    calendar = calendar_of(jobs, Workshop.ours())
    tag = f'"{hashlib.sha256(calendar).hexdigest()[:32]}"'
    if request.headers.get("If-None-Match") == tag:  # calendars ask every few minutes
        answer = HttpResponse(status=304)
    else:
        answer = HttpResponse(calendar, content_type="text/calendar; charset=utf-8")
        answer["Content-Disposition"] = 'inline; filename="promises.ics"'
    quiet(answer)
    answer["Cache-Control"] = "private, no-cache"
    answer["ETag"] = tag
    return answer
