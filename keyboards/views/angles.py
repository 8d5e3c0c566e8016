"""The protractor: the skew of a mortise tapped on a photo, kept as a reading with its uncertainty."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from keyboards.core.protractor import PhotoSkew
from keyboards.drawing.key_section import signed
from keyboards.forms.angles import Tapped, Unreadable, tapped
from keyboards.models import Check, Entry, Photo, PhotoAngle
from keyboards.specpage import sign_svg
from keyboards.views.checks import compass_for
from keyboards.workflow.angles import angle_keep
from shop.access import TECHNICIAN, PersonRequest, allowed, fetch
from shop.workflow.refusal import Refused


def _photo(op: UUID) -> Photo:
    return fetch(Photo.objects.select_related("job__compass", "job__client", "job__instrument", "check_done"), op=op)


def _tapped(request: PersonRequest, photo: Photo) -> Tapped:
    return tapped(request.POST, width=photo.width, height=photo.height)


def _words(found: PhotoSkew) -> dict[str, Any]:
    values = {"skew": signed(found.skew, 2), "u": f"{found.u:.2f}"}
    text = _("%(skew)s° ± %(u)s°") % values
    if found.taps > 1:
        text += " " + _("(mean of %(count)d)") % {"count": found.taps}
    if not found.coarse:
        said = ""
    elif found.needed > found.taps:
        said = _("Too coarse to cut by: tap it %(count)d times, or take the photo from nearer.") % {
            "count": found.needed
        }
    else:
        said = _("Too coarse to cut by: take the photo from nearer, straight from above.")
    return {"text": text, "coarse": found.coarse, "said": said}


@require_POST
@allowed(TECHNICIAN, json=True)
def angle_reckon(request: PersonRequest, op: UUID) -> JsonResponse:
    """The angle of the points as they lie now, without keeping it."""
    photo = _photo(op)
    try:
        return JsonResponse(_words(_tapped(request, photo).reckon()))
    except Unreadable as error:
        return JsonResponse({"text": "", "coarse": True, "said": str(error)})


@require_http_methods(["GET", "HEAD", "POST"])
@allowed(TECHNICIAN)
def photo_angle(request: PersonRequest, op: UUID) -> HttpResponse:
    """Tap the rail and the mortise's edge; keep the angle; go on with the next key on the same photo."""
    photo = _photo(op)
    compass = compass_for(photo.job)
    check, closed = _check(photo)
    asked = request.POST if request.method == "POST" else request.GET
    key = _key(asked.get("key"), photo, compass.present)
    trouble = ""
    if request.method == "POST":
        if check is None:
            trouble = closed
        elif key is None:
            trouble = _("Choose the key that this mortise belongs to.")
        else:
            try:
                found = _tapped(request, photo)
                angle = found.reckon()
                angle_keep(photo=photo, check=check, key=key, found=angle, by=request.user, **found.evidence)
            except (Unreadable, Refused) as error:
                trouble = str(error)
            else:
                values = {"name": compass.keys.name(key), "angle": _words(angle)["text"]}
                messages.success(request, _("%(name)s: %(angle)s kept.") % values)
                behind = next((one for one in compass.present if one > key), key)
                return redirect(f"{reverse('photo_angle', args=[op])}?{urlencode({'key': behind})}")
    context = {
        "photo": photo,
        "job": photo.job,
        "check": check,
        "closed": closed,
        "key": key,
        "keys": [(number, f"{number} · {compass.keys.name(number)}") for number in compass.present],
        "trouble": trouble,
        "kept": _kept(photo),
        "typed": request.POST.get("tapped", "") if trouble else "",
        "sign": sign_svg(request.user.units),
    }
    return render(request, "keyboards/angles/photo.html", context)


def _check(photo: Photo) -> tuple[Check | None, str]:
    """The check an angle of the photo is a reading of, or why there is none.

    A photo of a check tells how the key was then, so its angle is a reading of no other check.
    """
    if photo.check_done is None:
        check = photo.job.checks.filter(closed_at__isnull=True).order_by("-begun_at").first()
        return check, _("No check of this set is open: an angle can be read here, but not kept.") if not check else ""
    if photo.check_done.is_closed:
        return None, _("The check of this photo is closed: an angle can be read here, but not kept.")
    return photo.check_done, ""


def _key(text: str | None, photo: Photo, present: list[int]) -> int | None:
    number = int(text) if text and text.isascii() and text.isdecimal() and len(text) < 4 else photo.key
    return number if number in present else None


def _kept(photo: Photo) -> list[dict[str, Any]]:
    """What was read from this photo already, with the lines to draw of what still stands."""
    rows = list(PhotoAngle.objects.filter(photo=photo).select_related("entry__by"))
    gone = set(Entry.objects.filter(withdraws__in=[row.entry_id for row in rows]).values_list("withdraws", flat=True))
    return [
        {
            "key": row.entry.key,
            "text": f"{signed((row.entry.value or 0) / 1000, 2)}° ± {row.u / 1000:.2f}°",
            "by": row.entry.by.short_name,
            "withdrawn": row.entry_id in gone,
            "lines": [] if row.entry_id in gone else row.taps,
            "turn": row.turn,
        }
        for row in rows
    ]
