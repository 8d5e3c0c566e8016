"""What the trade answers when the business asks: the gates of the route and the counter's question about the set."""

import datetime
from collections.abc import Iterator
from contextlib import suppress

from django.db.models import QuerySet
from django.urls import reverse
from django.utils.timezone import localdate
from django.utils.translation import gettext as _

from keyboards.documents.handoff import readings_csv, readings_json
from keyboards.forms.compasses import CompassForm, PhotosForm
from keyboards.models import Check, CheckKind, Photo, Share
from keyboards.progressing import keys_worked, without_cloth
from keyboards.proving import proof_of, why_not_proved
from keyboards.workflow.compasses import compass_set
from keyboards.workflow.opening import open_trade
from keyboards.workflow.photos import photo_add
from keyboards.workflow.pricing import why_stopped
from shop import seams
from shop.models import Job, Person
from shop.workflow.refusal import Refused


def _closed_check(job: Job, kind: str, sentence: str) -> str:
    return "" if Check.objects.of_kind(kind).closed().filter(job=job).exists() else sentence


def arrival_check(job: Job) -> str:
    """Free once an arrival check is closed."""
    return _closed_check(job, CheckKind.ARRIVAL, _("The arrival check is not closed yet."))


def stripped_check(job: Job) -> str:
    """Free once a stripped check is closed and what it found is agreed."""
    return _closed_check(job, CheckKind.STRIPPED, _("The stripped check is not closed yet.")) or why_stopped(job)


def final_check(job: Job) -> str:
    """Free once the newest final check is closed and proves every key, or was released with a name and a reason."""
    return why_not_proved(job)


def keep_keys(job: Job, form: CompassForm, *, by: Person) -> None:
    """Keeps the keys of a set that is logged in."""
    names = ("first_midi", "count", "missing", "broken", "stamps")
    compass_set(job=job, by=by, **{name: form.cleaned_data[name] for name in names})


def keep_photos(job: Job, form: PhotosForm, *, by: Person) -> None:
    """Keeps the photos of a set that is logged in; those that cannot be read stop the log-in and are all named."""
    kept, refused = [], None
    for file in form.cleaned_data["photos"]:
        try:
            kept.append(photo_add(job=job, data=file.read(), by=by))
        except Refused as refusal:
            form.add_error("photos", f"{file.name[:60]}: {refusal}")
            refused = refusal
        except OSError:
            with suppress(OSError):  # the same fault may hold here too; the first one is told
                _take_away(kept)
            raise
    if refused is not None:
        _take_away(kept)
        raise refused


def _take_away(photos: list[Photo]) -> None:
    """Their rows go with the log-in, their files would stay."""
    for photo in photos:
        photo.image.delete(save=False)
        photo.small.delete(save=False)


def open_check(job: Job) -> str:
    """The bench run of the check that is open, the newest where there are two."""
    check = Check.objects.filter(job=job, closed_at__isnull=True).order_by("-begun_at").first()
    return reverse("check_run", args=[check.pk]) if check else ""


def papers(job: Job) -> Iterator[tuple[str, str]]:
    """The readings of a set as the hand-off report carries them."""
    if Check.objects.filter(job=job).exists():
        proof = proof_of(job)
        yield f"{job.tag}-readings.csv", readings_csv(proof)
        yield f"{job.tag}-readings.json", readings_json(proof)


def links_held(jobs: QuerySet[Job]) -> list[tuple[str, str, list[dict[str, str]]]]:
    """Secret links to readings: for whom they were."""
    rows = Share.objects.filter(job__in=jobs).select_related("job").order_by("created_at")
    return [
        (
            "shared",
            _("Links to readings"),
            [{"set": row.job.tag, "whom": row.whom, "created": localdate(row.created_at).isoformat()} for row in rows],
        )
    ]


def links_forget(jobs: QuerySet[Job], at: datetime.datetime) -> None:
    """Ends the links and takes out for whom they were."""
    rows = Share.objects.filter(job__in=jobs)
    rows.filter(withdrawn_at__isnull=True).update(withdrawn_at=at)
    rows.update(whom="")


PARCEL = seams.ParcelPart(
    owned={
        "keyboards_assumptions": "job",
        "keyboards_boughtpart": "job",
        "keyboards_caul": "job",
        "keyboards_check": "job",
        "keyboards_comeback": "job",
        "keyboards_compass": "job",
        "keyboards_decision": "job",
        "keyboards_drawing": "job",
        "keyboards_entry": "check_done__job",
        "keyboards_keydone": "stage__job",
        "keyboards_keyreading": "check_done__job",
        "keyboards_photo": "job",
        "keyboards_photoangle": "photo__job",
    },
    whole=frozenset({"keyboards_assumptions", "keyboards_finding"}),
    needed=frozenset({"keyboards_gauge"}),
    history=frozenset({"assumptions_changed", "gauge_changed"}),
    papers=papers,
)


def register() -> None:
    """Answers the shop's gates, adds the set to the counter's form, makes the trade's starting values."""
    seams.at_hand.append(open_check)
    seams.worked.append(keys_worked)
    seams.doubts.append(without_cloth)
    seams.parcels.append(PARCEL)
    seams.personal.append(seams.PersonalPart(links_held, links_forget))
    seams.gates["arrival_check"] = arrival_check
    seams.gates["stripped_check"] = stripped_check
    seams.gates["final_check"] = final_check
    seams.intake.append(seams.IntakePart(CompassForm, "keyboards/compasses/_intake.html", keep_keys))
    seams.intake.append(seams.IntakePart(PhotosForm, "keyboards/compasses/_photos.html", keep_photos))
    seams.openings.append(open_trade)
