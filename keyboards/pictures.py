"""Rows of the database -> the drawings: what stands between the models and keyboards/drawing, and nothing else."""

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import pgettext

from keyboards.core.grading import standing_grade
from keyboards.drawing.plots import Plot
from keyboards.drawing.row import KeyFace, RowWords, Section, button_row, describe_row, small_row
from keyboards.models import Check, CheckKind, Compass, KeyReading, Photo
from shop.models import Estimate, Job


def grade_words(*, after: bool = False) -> dict[int, str]:
    """The four grades of a key, in words; after the work nothing is worn, but may have to be done again."""
    if after:
        return {0: _("sound"), 1: _("cloth to put right"), 2: _("wood to put right"), 3: _("button to put right")}
    return {0: _("sound"), 1: _("cloth worn"), 2: _("wood damaged"), 3: _("button spent")}


def row_words(*, note: str = "", after: bool = False) -> RowWords:
    """What is said about the keys of a row."""
    words = grade_words(after=after)
    return RowWords(
        grades=(words[0], words[1], words[2], words[3]),
        unread=_("not read"),
        missing=pgettext("keys", "missing"),
        broken=pgettext("keys", "broken"),
        span=_("{count} keys {first} to {last}"),
        note=note,
    )


def faces(compass: Compass, readings: Iterable[KeyReading]) -> list[KeyFace]:
    """One face a key of the compass, bass first, from the rows of one check (none: all unread)."""
    by_key: Mapping[int, KeyReading] = {reading.key: reading for reading in readings}
    missing, broken = set(compass.missing), set(compass.broken)
    arithmetic = compass.keys
    out = []
    for number in arithmetic.keys:
        row = by_key.get(number)
        out.append(
            KeyFace(
                number=number,
                name=arithmetic.name(number),
                sharp=arithmetic.is_sharp(number),
                grade=row.grade if row else None,
                skew_deg=row.skew / 1000 if row and row.skew is not None else None,
                missing=number in missing,
                broken=number in broken,
            )
        )
    return out


def standing_rows(check: Check) -> list[KeyReading]:
    """The keys of a check as they stand: a stripped check with what its arrival check saw on wood, button and stick,
    and the angles that it did not read again. The rows are not to be saved."""
    rows = list(check.keys.all())
    if check.kind != CheckKind.STRIPPED:
        return rows
    arrival = Check.objects.of_kind(CheckKind.ARRIVAL).filter(job=check.job_id, begun_at__lte=check.begun_at).first()
    before = {row.key: row for row in arrival.keys.all()} if arrival else {}
    for row in rows:
        if (then := before.get(row.key)) is not None:
            row.grade = standing_grade(then.grade, row.grade, by_hand=bool(row.grade_reason))
            row.skew = then.skew if row.skew is None else row.skew
    return rows


def grade_counts(compass: Compass, readings: Iterable[KeyReading]) -> dict[str, int]:
    """How many keys have each grade: keys "0".."3", "." for not read, "-" for missing."""
    return counts_of(grade_string(compass, readings))


def counts_of(grades: str) -> dict[str, int]:
    """The same from a job's row of grades."""
    return {sign: grades.count(sign) for sign in "0123.-"}


def grade_string(compass: Compass, readings: Iterable[KeyReading]) -> str:
    """The small column on Job: one character a key."""
    by_key = {reading.key: reading.grade for reading in readings}
    missing = set(compass.missing)
    signs = []
    for number in range(1, compass.count + 1):
        grade = by_key.get(number)
        signs.append("-" if number in missing else "." if grade is None else str(grade))
    return "".join(signs)


def row_svg(
    key_faces: Sequence[KeyFace],
    *,
    uid: str,
    title: str,
    plots: Sequence[Plot] = (),
    sections: Sequence[Section] = (),
    current: int | None = None,
    href: str | None = None,
    split: int = 1,
    width: float = 1104,
    font_size: float = 14,
    live: bool = False,
    after: bool = False,
) -> str:
    """The button row with its plots as SVG, described in words for those who do not see it. after: it shows a final
    check."""
    turned = any(face.skew_deg for face in key_faces)
    words = row_words(note=_("mortise angles drawn 3 times larger than life") if turned else "", after=after)
    return button_row(
        key_faces,
        uid=uid,
        title=title,
        words=words,
        description=describe_row(key_faces, words),
        plots=plots,
        sections=sections,
        current=current,
        href=href,
        split=split,
        width=width,
        font_size=font_size,
        live=live,
    )


def small_row_svg(job: Job) -> str:
    """The row in small for lists, from the job's own column: no query."""
    counts = counts_of(job.grades)
    words = grade_words()
    told = ", ".join(f"{counts[str(grade)]} {word}" for grade, word in words.items() if counts[str(grade)])
    return small_row(job.grades, title=told or _("not checked yet"), first_note=job.first_note)


@dataclass(frozen=True)
class SetRow:
    """The row of a set as its newest check left it, in as many drawings as the page has use for; bare: with the old
    cloth out; after: as the final check shows it."""

    wide: str
    narrow: str
    counts: dict[str, int]
    read: int
    bare: bool
    after: bool


def set_row(
    job: Job, *, uid: str, before: datetime.datetime | None = None, paper: bool = False, title: str = ""
) -> SetRow | None:
    """The row from the newest check begun before that moment that has a reading; None where nothing was read.

    paper: larger type for a sheet, and no narrow drawing.
    """
    compass = Compass.objects.filter(job=job).first()
    checks = Check.objects.filter(job=job, keys__isnull=False)
    if before is not None:
        checks = checks.filter(begun_at__lt=before)
    newest = checks.order_by("-begun_at", "-id").first()
    if compass is None or newest is None:
        return None
    readings = standing_rows(newest)
    drawn = faces(compass, readings)
    title = title or _("The keys of %(tag)s") % {"tag": job.tag}
    counts, after = grade_counts(compass, readings), newest.kind == CheckKind.FINAL
    return SetRow(
        wide=row_svg(drawn, uid=f"{uid}-wide", title=title, font_size=19 if paper else 14, after=after),
        narrow="" if paper else row_svg(drawn, uid=f"{uid}-narrow", title=title, split=3, width=360, after=after),
        counts=counts,
        read=sum(counts[grade] for grade in "0123"),
        bare=newest.kind == CheckKind.STRIPPED,
        after=after,
    )


def photos_for(job: Job) -> list[Photo]:
    """Photos of a set that may go beside an estimate: of keys and findings first, then of the whole."""
    photos = list(Photo.objects.filter(job=job))
    return sorted(photos, key=lambda photo: (photo.key is None, photo.key or 0, photo.taken_at))


def photos_of(estimate: Estimate) -> list[Photo]:
    """The photos an estimate names, in its order; one that is gone is passed over."""
    if not estimate.photos:
        return []
    by_op = {str(photo.op): photo for photo in Photo.objects.filter(job_id=estimate.job_id, op__in=estimate.photos)}
    return [by_op[op] for op in estimate.photos if op in by_op]
