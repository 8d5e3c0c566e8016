"""Readings in two tables with one truth: entries as they came, append-only, and one row a key with what holds now."""

import uuid

from django.db import models
from django.db.models import Avg, Count, Q
from django.utils.translation import gettext_lazy as _

from keyboards.core.quantities import QUANTITIES
from keyboards.models.checks import GRADED


class EntryKind(models.TextChoices):
    READING = "reading", _("reading")
    FINDING = "finding", _("finding")
    NOTE = "note", _("note")
    SKIP = "skip", _("skipped")
    WITHDRAW = "withdraw", _("withdrawn")
    GRADE = "grade", _("grade given by hand")
    PHOTO = "photo", _("photo")


class Entry(models.Model):
    """One thing entered on one key. op is made where it is entered, so that sending it twice stores it once.

    value is the canonical integer (um, mdeg, mg) of a reading, the severity of a finding, the grade of a grade;
    typed and unit are what the person typed. Rows are never changed and never removed (database triggers).
    """

    op = models.UUIDField(primary_key=True, default=uuid.uuid4)
    check_done = models.ForeignKey(
        "keyboards.Check", on_delete=models.PROTECT, related_name="entries", db_column="check_id"
    )
    seq = models.PositiveBigIntegerField(default=0)
    kind = models.CharField(max_length=8, choices=EntryKind)
    key = models.PositiveSmallIntegerField()
    quantity = models.CharField(max_length=40, blank=True)
    value = models.IntegerField(null=True)
    high = models.IntegerField(
        null=True,
        help_text="For a plug gauge: the smallest that does not enter; value is the largest that does.",
    )
    typed = models.CharField(max_length=40, blank=True)
    unit = models.CharField(max_length=4, blank=True)
    finding = models.CharField(max_length=40, blank=True)
    text = models.TextField(blank=True)
    withdraws = models.UUIDField(null=True)
    gauge = models.ForeignKey("keyboards.Gauge", null=True, on_delete=models.PROTECT, related_name="+")
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    taken_at = models.DateTimeField()
    received_at = models.DateTimeField()
    digest = models.CharField(max_length=64, help_text="Of the contents, to tell a repeat from a clash.")

    class Meta:
        ordering = ["taken_at", "op"]
        indexes = [models.Index(fields=["check_done", "key"], name="entry_check_key")]
        verbose_name_plural = "entries"

    def __str__(self):
        return f"{self.kind} on key {self.key}"


def _column(slug: str) -> models.IntegerField:
    return models.IntegerField(null=True)


class KeyReadingQuerySet(models.QuerySet):
    def tallies(self) -> dict[int, dict[str, int | None]]:
        """Check -> what it keeps of its keys: how many have each grade, their mean side play in um (None: not read)."""
        graded = {f"keys_{name}": Count("pk", filter=Q(grade=grade)) for grade, name in enumerate(GRADED)}
        rows = self.order_by().values_list("check_done_id").annotate(**graded, play=Avg("side_play"))
        return {
            check: {**dict(zip(GRADED, counts, strict=True)), "mean_play": None if play is None else round(play)}
            for check, *counts, play in rows
        }


class KeyReading(models.Model):
    """What holds now for one key in one check: a column a quantity, findings, note, grade.

    findings maps the code of a finding to its severity 0..3; extra maps the shop's own quantities to integers;
    again lists quantities to measure again, with the reason ("differ", "look").
    """

    check_done = models.ForeignKey(
        "keyboards.Check", on_delete=models.PROTECT, related_name="keys", db_column="check_id"
    )
    key = models.PositiveSmallIntegerField()
    balance_mortise_width = _column("balance_mortise_width")
    front_mortise_width = _column("front_mortise_width")
    balance_pin = _column("balance_pin")
    front_pin = _column("front_pin")
    side_play = _column("side_play")
    button_length = _column("button_length")
    button_width = _column("button_width")
    button_height = _column("button_height")
    slot_length = _column("slot_length")
    mortise_offset = _column("mortise_offset")
    skew = _column("skew")
    splay = _column("splay")
    dip = _column("dip")
    level = _column("level")
    down_weight = _column("down_weight")
    up_weight = _column("up_weight")
    extra = models.JSONField(default=dict, blank=True)
    findings = models.JSONField(default=dict, blank=True)
    again = models.JSONField(default=dict, blank=True)
    note = models.TextField(blank=True)
    grade = models.PositiveSmallIntegerField(null=True)
    grade_reason = models.CharField(max_length=200, blank=True)

    objects = KeyReadingQuerySet.as_manager()

    class Meta:
        ordering = ["key"]
        constraints = [
            models.UniqueConstraint(fields=["check_done", "key"], name="key_once_a_check"),
            models.CheckConstraint(condition=Q(grade__isnull=True) | Q(grade__lte=3), name="grade_0_to_3"),
            models.CheckConstraint(condition=Q(key__gte=1) & Q(key__lte=128), name="key_1_to_128"),
            *(
                models.CheckConstraint(
                    condition=Q(**{f"{slug}__isnull": True})
                    | Q(**{f"{slug}__gte": quantity.lowest, f"{slug}__lte": quantity.highest}),
                    name=f"{slug}_possible",
                )
                for slug, quantity in QUANTITIES.items()
            ),
        ]

    def __str__(self):
        return f"key {self.key} of {self.check_done}"
