"""What happened: who, when, on which job, what, with which details. Events are only ever added."""

from django.db import models
from django.utils.translation import gettext_lazy as _

# What gave or took access, or guarded it.
_ACCESS = (
    *(f"person_{what}" for what in ("added", "changed", "deactivated", "reactivated")),
    *("password_set", "session_ended", "sessions_ended", "sign_ins_slowed", "name_slowed"),
    *(f"second_factor_{what}" for what in ("added", "removed", "demanded", "left_free")),
    *("quick_pin_set", "quick_pin_removed", "recovery_code_used", "recovery_codes_renewed"),
)


class EventQuerySet(models.QuerySet):
    """Questions about what happened."""

    def about_access(self):
        return self.filter(job=None, what__in=_ACCESS)

    def newest_first(self):
        return self.select_related("by").order_by("-at", "-id")


class Event(models.Model):
    """One thing that happened. Rows are never changed and never removed; triggers in the database hold that."""

    at = models.DateTimeField(_("when"), db_index=True)
    by = models.ForeignKey(
        "shop.Person",
        verbose_name=_("by"),
        null=True,
        on_delete=models.PROTECT,
        related_name="events",
        help_text=_("Empty where the client did it through a link."),
    )
    job = models.ForeignKey("shop.Job", null=True, on_delete=models.PROTECT, related_name="events")
    what = models.CharField(_("what"), max_length=60)
    details = models.JSONField(_("details"), default=dict)

    objects = EventQuerySet.as_manager()

    class Meta:
        ordering = ["-at", "-id"]
        indexes = [models.Index(fields=["job", "-at"], name="event_job_at")]

    def __str__(self):
        return f"{self.what} {self.at:%Y-%m-%d %H:%M}"
