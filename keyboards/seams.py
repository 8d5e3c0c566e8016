"""What the trade answers when the business asks: the gates of the route and the counter's question about the set."""

from django.utils.translation import gettext as _

from keyboards.models import Check, CheckKind
from keyboards.workflow.opening import open_trade
from shop import seams
from shop.models import Job


def _closed_check(job: Job, kind: str, sentence: str) -> str:
    return "" if Check.objects.of_kind(kind).closed().filter(job=job).exists() else sentence


def arrival_check(job: Job) -> str:
    """Free once an arrival check is closed."""
    return _closed_check(job, CheckKind.ARRIVAL, _("The arrival check is not closed yet."))


def stripped_check(job: Job) -> str:
    """Free once a stripped check is closed."""
    return _closed_check(job, CheckKind.STRIPPED, _("The stripped check is not closed yet."))


def register() -> None:
    """Answers the shop's gates, adds the set to the counter's form, makes the trade's starting values."""
    seams.gates["arrival_check"] = arrival_check
    seams.gates["stripped_check"] = stripped_check
    seams.openings.append(open_trade)
