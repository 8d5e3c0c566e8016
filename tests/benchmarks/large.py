"""A shop with very many sets, made in bulk, for measuring: invented names, every stage, checks with readings."""

import datetime
import random
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import Any

from django.db import models, transaction
from django.utils import timezone

from keyboards.models import Check, Compass, KeyReading, Photo
from shop.models import STAGE_TITLES, Client, Instrument, Job, Person, Role, Stage, search_key

_SYLLABLES = ("ba", "cor", "dra", "el", "fen", "gul", "hol", "ist", "jor", "kal", "len", "mar", "nor", "oth", "pel")
_SYLLABLES += ("quin", "ros", "sten", "tor", "ull", "vance", "wyn")
_STREETS = ["Hall", "School", "Chapel", "House"]
ROUTE = ("count_in", "arrival_check", "estimate", "answer", "strip", "cloth", "final_check", "pack", "leave")
READ = ("balance_mortise_width", "front_mortise_width", "balance_pin", "front_pin", "side_play")
READ += ("button_length", "button_width", "button_height", "slot_length", "skew")


def _name(chance: random.Random) -> str:
    return "".join(chance.choice(_SYLLABLES) for _ in range(chance.randint(2, 4))).capitalize()


def _in_bulk(model: type[models.Model], rows: Iterable[Any], size: int = 5000) -> None:
    source: Iterator[Any] = iter(rows)
    while batch := list(islice(source, size)):
        model._default_manager.bulk_create(batch)


@transaction.atomic
def fill(jobs: int, *, keys: int = 0, photos: int = 0, seed: int = 7) -> Person:
    """Adds so many sets to the database, two a piano and three a client or so; returns the owner who received them.

    keys: readings of so many keys in one closed check a set, ten quantities a key. photos: rows without files.
    Sets but the newest 40 have gone home.
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
                left_at=received + datetime.timedelta(days=30) if gone else None,
                promised_on=(received + datetime.timedelta(days=30)).date(),
                grades="".join(chance.choices("0123", (6, 3, 1, 0.3), k=88)),
                found="cloth worn||clothworn" if number % 9 else "cloth moth-eaten||clothmotheaten",
                stage="" if gone else ROUTE[1 + number % 6],
            )
        )
    _in_bulk(Job, made)
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
        _in_bulk(Check, checks)
        _in_bulk(
            KeyReading,
            (
                KeyReading(
                    check_done=check,
                    key=key,
                    grade=int(check.job.grades[key - 1]),
                    **{quantity: 500 + chance.randint(0, 400) for quantity in READ},
                )
                for check in checks
                for key in range(1, keys + 1)
            ),
        )
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
            finished_at=job.received_at + datetime.timedelta(hours=place) if done else None,
            finished_by=owner if done else None,
        )
