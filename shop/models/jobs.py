"""Jobs: one keyboard in the shop, from the counter and back to it."""

import uuid
from collections.abc import Sequence
from decimal import Decimal

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.translation import gettext_lazy as _

from shop.core import tags


class HoldFor(models.TextChoices):
    PART = "part", _("a part or material")
    CLIENT = "client", _("a word from the client")
    OTHER = "other", _("something else")


class JobQuerySet(models.QuerySet):
    def on_the_rack(self):
        """Sets that are in the shop, newest tag first."""
        return self.filter(left_at__isnull=True).order_by("-number")

    def at(self, branch):
        """Sets of a branch: there, on the way to it, or of no branch yet; None: of all."""
        here = models.Q(branch=branch) | models.Q(bound_for=branch) | models.Q(branch=None)
        return self if branch is None else self.filter(here)

    def gone_home(self):
        return self.filter(left_at__isnull=False)

    def home_lately(self, count: int):
        """The sets that went home last: what a shop does now is learned from these, however long it has been open."""
        return self.gone_home().order_by("-left_at", "-pk")[:count]

    def for_lists(self):
        """Jobs with all that a row of a list shows, in three queries however many rows."""
        return self.select_related("client", "instrument", "branch").prefetch_related("stages__handed_to")

    def listed(self, keys: Sequence[int]) -> "list[Job]":
        """Those with these primary keys, in their order, as for_lists(): a page whose keys an index gave."""
        rows = self.for_lists().in_bulk(keys)
        return [rows[key] for key in keys if key in rows]


class Job(models.Model):
    """One keyboard that came in: what arrived, in what state, for whom, and how far it is.

    grades, first_note and stage are small columns kept for lists. grades is one character a key (0..3, "." not
    read, "-" missing), first_note the MIDI number of its first; the trade writes both. stage is the slug of the
    stage the job stands at ("" = at the end of its route). found is what its closed checks found, for the search.
    owed is what its bill comes to less its payments, null where that is nothing (workflow/bills.py).
    keys_short and boxes_short are what the last count missed; away_to is where the set is while it is out of the shop,
    bound_for the branch it goes to if that is one of ours.
    """

    op = models.UUIDField(
        unique=True,
        default=uuid.uuid4,
        editable=False,
        help_text="Made with the page it was logged in on, so that a second click logs in nothing.",
    )
    number = models.PositiveIntegerField(_("number"), unique=True, editable=False)
    client = models.ForeignKey("shop.Client", on_delete=models.PROTECT, related_name="jobs")
    instrument = models.ForeignKey("shop.Instrument", on_delete=models.PROTECT, related_name="jobs")
    received_at = models.DateTimeField(_("received"))
    received_by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="received")
    boxes = models.PositiveSmallIntegerField(
        _("boxes"), default=1, validators=[MinValueValidator(1), MaxValueValidator(20)]
    )
    with_keyframe = models.BooleanField(_("keyframe included"), default=True)
    with_sample_pins = models.BooleanField(_("sample pins included"), default=False)
    carrier = models.CharField(_("carrier"), max_length=80, blank=True)
    damage = models.TextField(_("damage on arrival"), max_length=2000, blank=True)
    wishes = models.TextField(_("client's wishes"), max_length=2000, blank=True)
    moved_on = models.CharField(
        _("piano last moved"),
        max_length=60,
        blank=True,
        help_text=_("As the client tells it: a date, a year."),
    )
    humidity = models.DecimalField(
        _("room humidity, % RH"),
        max_digits=4,
        decimal_places=1,
        null=True,
        blank=True,
        validators=[MinValueValidator(Decimal(0)), MaxValueValidator(Decimal(95))],
    )
    branch = models.ForeignKey(
        "shop.Branch", verbose_name=_("branch"), null=True, blank=True, on_delete=models.PROTECT, related_name="jobs"
    )
    promised_on = models.DateField(_("promised for"), null=True, blank=True)
    held_since = models.DateTimeField(_("on hold since"), null=True, blank=True)
    hold_for = models.CharField(_("waits for"), max_length=6, choices=HoldFor, blank=True)
    hold_reason = models.CharField(_("why on hold"), max_length=200, blank=True)
    away_to = models.CharField(_("away at"), max_length=120, blank=True, editable=False)
    bound_for = models.ForeignKey(
        "shop.Branch", null=True, blank=True, on_delete=models.PROTECT, related_name="+", editable=False
    )
    away_since = models.DateTimeField(null=True, blank=True, editable=False)
    keys_short = models.PositiveSmallIntegerField(default=0, editable=False)
    boxes_short = models.PositiveSmallIntegerField(default=0, editable=False)
    left_at = models.DateTimeField(_("gone home"), null=True, blank=True, db_index=True)
    left_with = models.CharField(_("handed to"), max_length=120, blank=True)
    first_note = models.PositiveSmallIntegerField(default=21, editable=False)
    grades = models.CharField(max_length=128, default="", blank=True, editable=False)
    stage = models.CharField(max_length=20, default="count_in", blank=True, editable=False, db_index=True)
    owed = models.DecimalField(max_digits=14, decimal_places=4, null=True, editable=False)
    found = models.TextField(
        default="",
        blank=True,
        editable=False,
        help_text="Titles of findings, two bars, the same folded for the search.",
    )

    objects = JobQuerySet.as_manager()

    class Meta:
        ordering = ["-number"]
        indexes = [models.Index(fields=["owed"], condition=models.Q(owed__isnull=False), name="job_owing")]

    def __str__(self):
        return self.tag

    @property
    def tag(self) -> str:
        """The name on every box: K-0147."""
        return tags.job_tag(self.number)

    @property
    def key_count(self) -> int:
        """Keys that this compass has."""
        return len(self.grades)

    @property
    def keys_here(self) -> int:
        """Keys that came with the set."""
        return len(self.grades) - self.grades.count("-")

    @property
    def found_titles(self) -> list[str]:
        """Titles of what closed checks found."""
        return [title for title in self.found.partition("||")[0].split("|") if title]

    @property
    def current_stage(self):
        """The stage the job stands at, or None when it is at the end of its route."""
        return next((stage for stage in self.stages.all() if stage.is_open), None)


class FoundTitle(models.Model):
    """A title that stands in the `found` of some set, so that a search knows without reading every set whether a word
    is in any. Only added to: one that no set holds any more leads to none."""

    title = models.CharField(max_length=60, unique=True)

    class Meta:
        ordering = ["title"]

    def __str__(self):
        return self.title
