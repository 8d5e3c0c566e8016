"""A shop with very many sets, made in bulk, for measuring: invented names, every stage, checks with readings."""

import datetime
import random
import uuid
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Any

from django.db import connection, models, transaction
from django.utils import timezone
from post_office.models import STATUS, Email

from keyboards.models import Check, CheckKind, Comeback, Compass, Decision, KeyReading, Photo
from shop.models import (
    STAGE_TITLES,
    Answer,
    Bill,
    Client,
    Estimate,
    Event,
    FoundTitle,
    Instrument,
    Job,
    Line,
    Lot,
    Material,
    Operation,
    Option,
    Payment,
    Person,
    Role,
    Spell,
    Stage,
    Use,
    search_key,
)

_SYLLABLES = ("ba", "cor", "dra", "el", "fen", "gul", "hol", "ist", "jor", "kal", "len", "mar", "nor", "oth", "pel")
_SYLLABLES += ("quin", "ros", "sten", "tor", "ull", "vance", "wyn")
_FINDINGS = ["cloth worn", "cloth moth-eaten", "cloth torn", "mortise oversize", "mortise off centre", "glue ridge"]
_FINDINGS += ["button loose", "button cracked", "balance hole oval", "pin corroded", "stick warped", "top chipped"]
_STREETS = ["Hall", "School", "Chapel", "House"]
ROUTE = ("count_in", "arrival_check", "estimate", "answer", "strip", "cloth", "final_check", "pack", "leave")
# The smallest of each in um and mdeg; each key has up to 0.4 more.
READ = {"balance_mortise_width": 5400, "front_mortise_width": 5400, "balance_pin": 3700, "front_pin": 3700}
READ |= {"side_play": 100, "button_length": 20_000, "button_width": 9000, "button_height": 8000}
READ |= {"slot_length": 6000, "skew": -200}


def _name(chance: random.Random) -> str:
    return "".join(chance.choice(_SYLLABLES) for _ in range(chance.randint(2, 4))).capitalize()


def _found(chance: random.Random) -> str:
    titles = sorted(chance.sample(_FINDINGS, chance.randint(1, 5)))
    return "||".join(("|".join(titles), "|".join(map(search_key, titles))))


def _in_bulk(model: type[models.Model], rows: Iterable[Any], size: int = 5000) -> None:
    source: Iterator[Any] = iter(rows)
    while batch := list(islice(source, size)):
        model._default_manager.bulk_create(batch)


@transaction.atomic
def fill(jobs: int, *, keys: int = 0, photos: int = 0, papers: bool = False, seed: int = 7) -> Person:
    """Adds so many sets to the database, two a piano and three a client or so; returns the owner who received them.

    keys: readings of so many keys, ten quantities each, in a closed arrival check a set, and in a final check where it
    has gone home; a decision a set. photos: rows without files. papers: an estimate a set, its lines from the price
    list, a yes, a paid bill, a letter, ten events, booked hours and a used lot where it went home; one in forty came
    back; the newest five bills are open. Sets but the newest 40 have gone home.
    """
    chance = random.Random(seed)
    now = timezone.now()
    owner = Person.objects.filter(role=Role.OWNER).first() or Person.objects.create_user("measuring", role=Role.OWNER)
    first = (Job.objects.aggregate(most=models.Max("number"))["most"] or 0) + 1
    clients = []
    for _ in range(max(jobs // 3, 1)):
        name = f"{_name(chance)} {chance.choice((*_STREETS, _name(chance)))}"
        clients.append(Client(name=name, email=f"{search_key(name)}@example.org"))
        clients[-1].find = "|".join((search_key(name), "", search_key(clients[-1].email), ""))
    _in_bulk(Client, clients)
    pianos = []
    for number in range(max(jobs // 2, 1)):
        serial = str(chance.randint(1_000, 999_999))
        piano = Instrument(client=chance.choice(clients), maker=_name(chance), serial=serial, year=1850 + number % 120)
        piano.find = "|".join((search_key(piano.maker), "", serial, str(piano.year)))
        pianos.append(piano)
    _in_bulk(Instrument, pianos)
    made = []
    for number in range(jobs):
        piano = chance.choice(pianos)
        received = now - datetime.timedelta(hours=6 * (jobs - number))
        gone = number < jobs - 40
        made.append(
            Job(
                number=first + number,
                client=piano.client,
                instrument=piano,
                received_at=received,
                received_by=owner,
                left_at=received + datetime.timedelta(days=9) if gone else None,
                promised_on=(received + datetime.timedelta(days=30)).date(),
                grades="".join(chance.choices("0123", (6, 3, 1, 0.3), k=88)),
                found=_found(chance),
                stage="" if gone else ROUTE[1 + number % 6],
            )
        )
    _in_bulk(Job, made)
    titles = {title for job in made for title in job.found_titles}
    FoundTitle.objects.bulk_create((FoundTitle(title=title) for title in titles), ignore_conflicts=True)
    _in_bulk(Compass, (Compass(job=job, first_midi=21, count=88, missing=[]) for job in made))
    _in_bulk(Stage, (stage for job in made for stage in _stages(job, owner)))
    if keys:
        checks = [
            Check(
                job=job,
                begun_at=job.received_at,
                begun_by=owner,
                closed_at=job.received_at + datetime.timedelta(hours=3),
                closed_by=owner,
                quantities=list(READ),
            )
            for job in made
        ]
        checks += [
            Check(
                kind=CheckKind.FINAL,
                job=job,
                begun_at=job.left_at,
                begun_by=owner,
                closed_at=job.left_at,
                closed_by=owner,
                quantities=list(READ),
            )
            for job in made
            if job.left_at
        ]
        _in_bulk(Check, checks)
        patterns = checks[:20]
        _in_bulk(
            KeyReading,
            (
                KeyReading(
                    check_done=check,
                    key=key,
                    grade=int(check.job.grades[key - 1]),
                    **{quantity: least + chance.randint(0, 400) for quantity, least in READ.items()},
                )
                for check in patterns
                for key in range(1, keys + 1)
            ),
        )
        _copy_readings(patterns, checks[20:])
        tallies = KeyReading.objects.tallies()
        for check in checks:
            for name, value in tallies[check.pk].items():
                setattr(check, name, value)
        Check.objects.bulk_update(checks, list(tallies[checks[0].pk]), batch_size=500)
        _in_bulk(Decision, (_decision(check, owner) for check in checks[:jobs]))
    if papers:
        _papers(made, owner, chance, now)
    if photos:
        _in_bulk(
            Photo,
            (
                Photo(
                    job=made[at % jobs], taken_at=now, by=owner, image="none.jpg", small="none.jpg", width=1, height=1
                )
                for at in range(photos)
            ),
        )
    return owner


def _copy_readings(patterns: list[Check], checks: list[Check]) -> None:
    """The readings of the patterns for all other checks, within the database: a million rows would take minutes."""
    if not checks:
        return
    names = [field.column for field in KeyReading._meta.fields if field.column not in ("id", "check_id")]
    columns, copied = ", ".join(names), ", ".join(f"pattern.{name}" for name in names)
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO keyboards_keyreading (check_id, {columns}) SELECT one.id, {copied} FROM keyboards_check one"
            " JOIN keyboards_keyreading pattern ON pattern.check_id = %s + one.id %% %s WHERE one.id BETWEEN %s AND %s",
            [patterns[0].pk, len(patterns), checks[0].pk, checks[-1].pk],
        )


def _decision(check: Check, owner: Person) -> Decision:
    overruled = check.job_id % 10 == 0
    section = {"title": "Treble", "first": 60, "last": 88, "keys": 29, "failing": 4, "costs": {}}
    section |= {"advised": "reclothe", "chosen": "renew_section" if overruled else "reclothe"}
    reason = f"The wood of {check.job.tag} is soft." if overruled else ""
    facts = {"job": check.job, "basis": check, "at": check.closed_at, "by": owner, "assumptions": {}}
    return Decision(sections=[section], overruled=overruled, reason=reason, **facts)


def _papers(made: list[Job], owner: Person, chance: random.Random, now: datetime.datetime) -> None:
    """What is written about sets: those that wait for the answer have an estimate with the client, later ones a yes."""
    day = datetime.timedelta(days=1)
    priced = {row.stage: row for row in Operation.objects.order_by("-pk")}
    estimates, options, lines, answers, bills, payments = [], [], [], [], [], []
    for job in (job for job in made if job.stage not in ("arrival_check", "estimate")):
        sent = job.received_at + day / 4
        estimates.append(
            Estimate(
                number=job.number,
                job=job,
                state="sent" if job.stage == "answer" else "accepted",
                currency="EUR",
                tax_name="VAT",
                tax_rate=20,
                deposit_rate=30,
                valid_until=(sent + 60 * day).date(),
                working_days=20,
                created_at=sent,
                created_by=owner,
                sent_at=sent,
                sent_to=job.client.email,
                deposit_paid_at=sent + day,
            )
        )
        options += [Option(estimate=estimates[-1], letter=letter, title=f"Option {letter}") for letter in "AB"]
        for option in options[-2:]:
            lines += [
                Line(
                    estimate=estimates[-1],
                    option=option,
                    title=title,
                    operation=priced.get(stage),
                    quantity=88,
                    unit_price=chance.randint(1, 9),
                    minutes=3,
                    stage=stage,
                    position=place,
                )
                for place, (title, stage) in enumerate((("Strip", "strip"), ("New cloth", "cloth"), ("Ease", "ease")))
            ]
        if job.stage != "answer":
            answers.append(Answer(estimate=estimates[-1], kind="yes", option=options[-2], name="Yes", at=sent + day))
        if job.left_at:
            facts = {"currency": "EUR", "created_at": job.left_at, "created_by": owner, "issued_at": job.left_at}
            bills.append(
                Bill(
                    number=job.number,
                    job=job,
                    estimate=estimates[-1],
                    due_on=(job.left_at + 30 * day).date(),
                    net=500,
                    tax=100,
                    gross=600,
                    issued_by=owner,
                    **facts,
                )
            )
            payments.append(
                Payment(
                    op=uuid.UUID(int=job.number),
                    number=job.number,
                    job=job,
                    amount=600,
                    currency="EUR",
                    received_on=job.left_at.date(),
                    at=job.left_at,
                    by=owner,
                )
            )
    for model, rows in ((Estimate, estimates), (Option, options), (Line, lines), (Answer, answers), (Bill, bills)):
        _in_bulk(model, rows)
    _in_bulk(Payment, payments[:-5])
    Job.objects.filter(pk__in=[payment.job.pk for payment in payments[-5:]]).update(owed=600)
    gone = [job for job in made if job.left_at]
    hour = datetime.timedelta(hours=1)
    told = ("job_logged_in", "job_counted", "stage_begun", "stage_finished", "check_closed")
    _in_bulk(
        Event,
        (
            Event(at=job.received_at + hour * place, by=owner, job=job, what=told[place % len(told)])
            for job in made
            for place in range(10)
        ),
    )
    worked = Stage.objects.filter(job__number__range=(made[0].number, made[-1].number), kind__in=("strip", "cloth"))
    booked = worked.filter(state="done").select_related("job")
    _in_bulk(
        Spell,
        [Spell(stage=one, by=owner, begun_at=one.finished_at, minutes=chance.randint(80, 160)) for one in booked],
    )
    material = Material.objects.first() or Material.objects.create(title="Bushing cloth", kind="cloth")
    lots = [Lot(material=material, code=f"L-{number}") for number in range(max(len(gone) // 30, 1))]
    for lot in lots:
        lot.save()
    _in_bulk(Use, [Use(job=job, lot=lots[job.number % len(lots)], at=job.left_at, by=owner) for job in gone])
    _in_bulk(
        Comeback,
        (
            Comeback(
                job=job,
                reported_on=job.left_at.date(),
                keys=[40, 41],
                cause="cloth_loose",
                stage="cloth",
                lot=lots[job.number % len(lots)],
                under_guarantee=True,
                at=job.left_at,
                by=owner,
            )
            for job in gone[::40]
        ),
    )
    letter = {"from_email": "shop@example.org", "subject": "Your keyboard", "message": "It is ready."}
    _in_bulk(Email, [Email(to=[job.client.email], status=STATUS.sent, created=now, **letter) for job in gone])


def _stages(job: Job, owner: Person) -> Iterator[Stage]:
    here = ROUTE.index(job.stage) if job.stage else len(ROUTE)
    for place, kind in enumerate(ROUTE):
        assert kind in STAGE_TITLES
        done = place < here
        yield Stage(
            job=job,
            position=10 * place,
            kind=kind,
            state="done" if done else "waiting",
            minutes=120 if kind in ("strip", "cloth") else 0,
            finished_at=job.received_at + datetime.timedelta(hours=place) if done else None,
            finished_by=owner if done else None,
        )
