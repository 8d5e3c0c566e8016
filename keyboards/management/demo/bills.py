"""Money of the demonstration: bills in several states, payments, and hours the bench booked. All invented."""

import datetime
from decimal import Decimal

from keyboards.management.demo.readings import Make
from keyboards.management.demo.shop import Tale
from shop.models import Client, Job, Person, Spell, Workshop
from shop.workflow import bills, stages
from shop.workflow.bills import Added

PAYMENT = "Bank of Larkholt, account 00 1470 8821, or in cash at the counter."
BILL_TERMS = "Please name the number of the bill. A transfer takes a day or two."
# Hours the bench books against quoted ones, stage by stage; one row for each set that went home, the oldest first.
# Cloth has taken longer than quoted nearly every time, stripping less.
FACTORS = {
    "strip": ("0.80", "0.95", "0.70", "0.85", "0.75", "1.05", "0.80"),
    "cloth": ("1.15", "1.40", "1.25", "1.30", "1.05", "1.35", "1.20"),
    "buttons": ("1.10", "0.90", "1.50", "1.00", "1.20", "0.95", "1.10"),
    "pins": ("1.00", "1.10", "0.90", "1.00", "1.05", "0.95", "1.00"),
    "ease": ("1.30", "0.90", "1.80", "1.20", "1.00", "1.50", "1.10"),
    "final_check": ("0.90", "1.05", "0.85", "1.00", "0.95", "1.10", "0.95"),
    "repairs": ("1.60", "1.20", "1.45", "1.10", "1.80", "1.30", "1.40"),
}


def make(seed: int, **changed: object) -> Make:
    """A worn set like most."""
    usual = {"mortise": 5.60, "noise": 0.022, "worn": 0.7, "torn": (6, 31, 62)}
    return Make(seed=seed, **{**usual, **changed})  # type: ignore[arg-type]


# Sets that came, were done and went home, so that hours have something to say.
TALES = (
    Tale("choir", make(1952), 520, "home", wishes="Quiet for the choir room."),
    Tale("corin", make(1988, worn=0.5), 330, "home", wishes="An even touch."),
    Tale(
        "vale2", make(1937, torn=(2, 3, 40, 41), skew=((30, 2.0), (88, -1.5))), 205, "home", carrier="parcel carrier",
        wishes="New buttons, with the angles as they were.", choose="renew_section",
        why="the client asked for new buttons throughout",
    ),
    Tale("hall", make(1913, worn=0.8), 48, "home", wishes="Before the autumn dances.", boxes=2, drop=True),
)  # fmt: skip


def settings() -> None:
    """How the shop is paid."""
    shop = Workshop.ours()
    shop.payment, shop.bill_terms = PAYMENT, BILL_TERMS
    shop.save(update_fields=["payment", "bill_terms"])


def _hours(job: Job, place: int, by: Person) -> None:
    """What the bench booked on a set that went home, instead of what the clock of the demonstration ran to."""
    for stage in job.stages.filter(kind__in=FACTORS, minutes__gt=0):
        minutes = (stage.minutes * Decimal(FACTORS[stage.kind][place % 7])).quantize(Decimal("0.1"))
        Spell.objects.filter(stage=stage).delete()
        stages.hours_book(stage, by=by, minutes=minutes, at=stage.finished_at or job.left_at)


def tell(*, desk: Person, bench: Person, owner: Person, now: datetime.datetime) -> None:
    """Hours and bills of the sets that went home: most are paid, one is overdue, one paid in part, one cancelled and
    written again, one paid too much, the newest waits to be written; and a draft for a set that is packed."""
    home = list(Job.objects.filter(left_at__isnull=False, estimates__state="accepted").order_by("left_at"))
    for place, job in enumerate(home):
        _hours(job, place, bench)
    for place, job in enumerate(home[:-1]):
        assert job.left_at is not None
        at = job.left_at + datetime.timedelta(hours=1)
        bill = bills.bill_issue(bills.bill_draft(job, by=desk, at=at), by=desk, at=at)
        if place == 1:
            bills.bill_cancel(bill, reason="The carrier was forgotten.", by=owner, at=at + datetime.timedelta(hours=2))
            at += datetime.timedelta(hours=3)
            draft = bills.bill_draft(job, by=desk, at=at)
            carrier = Added(
                "Carrier, there and back",
                Decimal(1),
                Decimal(64),
                agreed_by=job.client.contact or job.client.name,
                agreed_on=at.date(),
            )
            bills.line_add(draft, carrier, by=desk, at=at)
            bill = bills.bill_issue(draft, by=desk, at=at)
        bill = bills.read(bill.pk)
        paid_at = min(at + datetime.timedelta(days=9), now)
        if place == len(home) - 2:  # overdue
            bills.payment_take(job, amount=Decimal(200), method="cash", note="first part", by=desk, at=paid_at)
            continue
        extra = Decimal(20) if place == 2 else Decimal(0)
        bills.payment_take(job, amount=bill.owed + extra, note=f"named {bill.title}", by=desk, at=paid_at)
    packed = Job.objects.filter(stage="pack", left_at__isnull=True, estimates__state="accepted").first()
    if packed is not None:
        bills.bill_draft(packed, by=desk, at=now - datetime.timedelta(hours=1))


def clients_with_addresses() -> None:
    """A street for every client: a bill needs one."""
    for place, client in enumerate(Client.objects.filter(address="").order_by("pk"), start=3):
        client.address = f"{place * 7} Weir Lane\nLarkholt"
        client.save(update_fields=["address"])
