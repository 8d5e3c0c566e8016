"""Stages: the steps of one job's route, begun and finished by somebody."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from shop.core import route


class StageState(models.TextChoices):
    WAITING = route.WAITING, _("waiting")
    BEGUN = route.BEGUN, _("begun")
    DONE = route.DONE, _("done")
    SKIPPED = route.SKIPPED, _("skipped")


STAGE_TITLES = {
    "count_in": _("Unpack and count in"),
    "arrival_check": _("Arrival check"),
    "estimate": _("Advice and estimate"),
    "answer": _("Waiting for the answer"),
    "strip": _("Take out old cloth"),
    "stripped_check": _("Stripped check"),
    "repairs": _("Repair mortise wood"),
    "buttons": _("Make and fit buttons"),
    "pins": _("Pins and balance holes"),
    "leads": _("Key leads"),
    "cloth": _("New bushing cloth"),
    "tops": _("Keytops"),
    "frame": _("Keyframe"),
    "ease": _("Ease and level"),
    "other": _("Other agreed work"),
    "final_check": _("Final check"),
    "pack": _("Count out and pack"),
    "leave": _("Hand over"),
}


class StageQuerySet(models.QuerySet):
    def open(self):
        return self.filter(state__in=(route.WAITING, route.BEGUN))


class Stage(models.Model):
    """One step of a route. Positions rise by the trade's order; gaps are free for steps added later.

    words: a step added by hand may say what it is. handed_to: for whom it was put down.
    """

    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="stages")
    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=20, choices=list(STAGE_TITLES.items()))
    words = models.CharField(_("what is done"), max_length=80, blank=True)
    state = models.CharField(max_length=8, choices=StageState, default=StageState.WAITING)
    minutes = models.DecimalField(_("minutes expected"), max_digits=8, decimal_places=1, default=0)
    begun_at = models.DateTimeField(null=True, blank=True)
    begun_by = models.ForeignKey("shop.Person", null=True, on_delete=models.PROTECT, related_name="+")
    finished_at = models.DateTimeField(null=True, blank=True)
    finished_by = models.ForeignKey("shop.Person", null=True, on_delete=models.PROTECT, related_name="+")
    ready_at = models.DateTimeField(_("not before"), null=True, blank=True)
    keys_done = models.PositiveSmallIntegerField(_("keys done"), null=True, blank=True)
    keys_wanted = models.PositiveSmallIntegerField(_("of how many keys"), null=True, blank=True)
    reason = models.CharField(_("why skipped or sent back"), max_length=200, blank=True)
    handed_to = models.ForeignKey("shop.Person", null=True, blank=True, on_delete=models.PROTECT, related_name="+")

    objects = StageQuerySet.as_manager()

    class Meta:
        ordering = ["position", "id"]
        # For what counts over all sets alone: SQLite would take an index that begins with the state for a good one.
        indexes = [
            models.Index(
                fields=["kind", "job", "state", "finished_by"],
                condition=Q(finished_at__isnull=False),
                name="stage_finished",
            )
        ]
        constraints = [
            models.UniqueConstraint(fields=["job", "position"], name="stage_position_once"),
            models.CheckConstraint(
                condition=~Q(state=route.DONE) | Q(finished_at__isnull=False), name="stage_done_has_time"
            ),
        ]

    def __str__(self):
        return str(self.title)

    @property
    def title(self) -> str:
        return self.words or str(STAGE_TITLES.get(self.kind, self.kind))

    @property
    def is_open(self) -> bool:
        return self.state in (route.WAITING, route.BEGUN)

    @property
    def keys_left(self) -> int:
        """Keys still to be done, where keys are written down one by one; 0 where they are not."""
        return max((self.keys_wanted or 0) - self.keys_done, 0) if self.keys_done is not None else 0

    @property
    def whose(self) -> str:
        """Who it waits for: desk, bench, office or client."""
        return route.KINDS[self.kind].whose


class Spell(models.Model):
    """A stretch of work by one person on one stage: started and stopped, or written down by hand."""

    stage = models.ForeignKey(Stage, on_delete=models.PROTECT, related_name="spells")
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="spells")
    begun_at = models.DateTimeField()
    minutes = models.DecimalField(
        _("minutes"), max_digits=7, decimal_places=1, null=True, blank=True, help_text=_("Empty while it runs.")
    )
    note = models.CharField(_("note"), max_length=200, blank=True)

    class Meta:
        ordering = ["begun_at", "id"]
        constraints = [
            models.UniqueConstraint(fields=["stage", "by"], condition=Q(minutes__isnull=True), name="spell_one_running")
        ]

    def __str__(self):
        return f"{self.by} on {self.stage}"


class Guide(models.Model):
    """How the shop does a stage: a note and a short list to tick, the owner's to write. One a kind of stage."""

    kind = models.CharField(max_length=20, choices=list(STAGE_TITLES.items()), unique=True)
    note = models.TextField(_("note"), max_length=1000, blank=True)
    steps = models.TextField(_("to tick, one a line"), max_length=2000, blank=True)

    class Meta:
        ordering = ["kind"]

    def __str__(self):
        return str(STAGE_TITLES.get(self.kind, self.kind))

    @property
    def step_list(self) -> list[str]:
        """The steps, one a line, each once, without empty ones."""
        return list(dict.fromkeys(step.strip() for step in self.steps.splitlines() if step.strip()))


class Tick(models.Model):
    """A step of the list that somebody ticked at one stage. The words are kept as they stood then."""

    stage = models.ForeignKey(Stage, on_delete=models.PROTECT, related_name="ticks")
    step = models.CharField(max_length=200)
    by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]
        constraints = [models.UniqueConstraint(fields=["stage", "step"], name="tick_once_a_step")]

    def __str__(self):
        return self.step
