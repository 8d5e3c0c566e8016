"""Fills an empty installation with an invented workshop, through the same functions that people's clicks call."""

import datetime
import uuid
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import transaction
from django.utils import timezone

from keyboards.core import choice
from keyboards.core.quantities import QUANTITIES
from keyboards.management.demo import bills, estimates, photos, readings
from keyboards.management.demo import shop as scenario
from keyboards.management.demo.angles import angle_read
from keyboards.management.demo.branches import branches
from keyboards.management.demo.comebacks import came_back
from keyboards.management.demo.drawings import drawn
from keyboards.models import Check, CheckKind, Gauge, GaugeKind
from keyboards.pins import suiting_cauls
from keyboards.progressing import progress_of
from keyboards.workflow.cauls import cauls_keep
from keyboards.workflow.checks import check_begin, check_change, check_close
from keyboards.workflow.compasses import compass_set
from keyboards.workflow.decisions import assumptions_keep, decision_record
from keyboards.workflow.entries import entries_apply
from keyboards.workflow.gauges import gauge_keep
from keyboards.workflow.photos import photo_add
from keyboards.workflow.pricing import estimate_from_decision
from keyboards.workflow.progress import progress_keep
from keyboards.workflow.proof import check_release
from keyboards.workflow.shares import share_make
from shop.models import Client, Estimate, Instrument, Job, Lot, Material, Person, Stage
from shop.workflow import backups, counts, jobs, letters, materials, stages
from shop.workflow.estimates import deposit_receive, estimate_accept, estimate_decline, estimate_send
from shop.workflow.opening import open_shop
from shop.workflow.pins import pin_set

PASSWORD = "eighty-eight keys"  # nosec B105
PIN = "730184"
# Which lots a stage of work uses up: stage -> (kind of material, where).
USED_AT = {
    "repairs": (("other", "torn mortises"), ("glue", "torn mortises")),
    "buttons": (("wood", "new buttons"), ("glue", "new buttons")),
    "cloth": (("cloth", "both rails"), ("glue", "cloth")),
}


class Command(BaseCommand):
    """manage.py demo"""

    help = "Fills an empty database with an invented workshop and prints three sign-ins."

    def handle(self, *args: Any, **options: Any) -> None:
        if Person.objects.filter(username="maren").exists() and Job.objects.count() >= len(scenario.TALES):
            self.stdout.write("The demonstration is here already; nothing was changed.")
        elif Person.objects.exists() or Client.objects.exists():
            raise CommandError("This database holds something else. The demonstration only fills an empty one.")
        else:
            with transaction.atomic():
                Demonstration(timezone.localtime(), self._tell).fill()
            letters.deliver_waiting()
            backups.back_up()
        self._sign_ins()

    def _tell(self, sentence: str) -> None:
        self.stdout.write(sentence)
        self.stdout.flush()

    def _sign_ins(self) -> None:
        self.stdout.write("")
        self.stdout.write(f"  PIN of everybody on a tablet that is shared: {PIN}")
        for username, first, last, role in scenario.PEOPLE:
            self.stdout.write(f"  {role:<12} {username:<8} {PASSWORD}   ({first} {last})")
        self.stdout.write("")


class Demonstration:
    """Tells the tales, the oldest first. now is a moment of today; tell prints how far it is."""

    def __init__(self, now: datetime.datetime, tell: Any) -> None:
        self.now = now
        self.tell = tell

    def fill(self) -> None:
        open_shop(**scenario.WORKSHOP)
        self.people = {
            name: Person.objects.create_user(name, password=PASSWORD, first_name=first, last_name=last, role=role)
            for name, first, last, role in (*scenario.PEOPLE, scenario.SECOND_TECHNICIAN, scenario.SECOND_DESK)
        }
        for person in self.people.values():
            pin_set(person, PIN)
        self.desk, self.bench, self.owner = (self.people[row[0]] for row in scenario.PEOPLE)
        here = [person for name, person in self.people.items() if name != "runa"]
        branches(here, self.people["runa"], by=self.owner)
        self.caliper = Gauge.objects.filter(kind="caliper").first()
        self.bevel = Gauge.objects.filter(kind="bevel").first()
        self._gauges()
        self._stock()
        estimates.prices(by=self.owner, now=self.now)
        bills.settings()
        self.clients: dict[str, Client] = {}
        self.pianos: dict[str, Instrument] = {}
        tales = sorted((*scenario.TALES, *bills.TALES), key=lambda tale: -tale.ago)
        for number, tale in enumerate(tales, start=1):
            self.tell(f"  set {number} of {len(tales)}: {scenario.PIANOS[tale.piano].maker}, {tale.until}")
            Telling(self, tale).tell()
        bills.clients_with_addresses()
        bills.tell(desk=self.desk, bench=self.bench, owner=self.owner, now=self.now)
        came_back(Job.objects.get(instrument=self.pianos["lysa2"]), by=self.desk, now=self.now)

    def _stock(self) -> None:
        day = timezone.localdate(self.now) - datetime.timedelta(days=2200)
        for kind, title, thickness, note, lots in scenario.MATERIALS:
            material = Material(kind=kind, title=title, thickness=thickness, note=note)
            materials.material_keep(material, by=self.owner)
            for code in lots:
                materials.lot_add(Lot(material=material, code=code, received_on=day), by=self.owner)

    def _gauges(self) -> None:
        """The instruments were checked once a year, the last time some weeks ago."""
        Gauge.objects.create(
            name="Plug gauges", kind=GaugeKind.PLUG, resolution=1, error=2, sizes=list(range(5000, 6250, 50))
        )
        for gauge in Gauge.objects.all():
            gauge.checked_on = timezone.localdate(self.now) - datetime.timedelta(days=2230)
            gauge.save()
            for ago in range(1865, 0, -365):
                checked = self.now - datetime.timedelta(days=ago)
                gauge.checked_on = timezone.localdate(checked)
                gauge_keep(gauge, by=self.bench, at=checked)

    def client(self, key: str) -> Client:
        if key not in self.clients:
            kind, name, contact, email, phone = scenario.CLIENTS[key]
            self.clients[key] = Client(kind=kind, name=name, contact=contact, email=email, phone=phone)
        return self.clients[key]

    def piano(self, key: str) -> Instrument:
        if key not in self.pianos:
            row = scenario.PIANOS[key]
            self.pianos[key] = Instrument(
                kind=row.kind, maker=row.maker, model=row.model, year=row.year, serial=row.serial
            )
        return self.pianos[key]


class Telling:
    """One set's way: each step calls a workflow function, and the clock goes on."""

    def __init__(self, shop: Demonstration, tale: scenario.Tale) -> None:
        self.shop, self.tale = shop, tale
        self.clock = scenario.moment(shop.now, tale.ago, 9, 20)
        if self.clock > shop.now:  # the demonstration may be made before the shop opens
            self.clock = shop.now - datetime.timedelta(minutes=5)

    def later(self, *, days: int = 0, hours: float = 0) -> datetime.datetime:
        """The clock goes on, in the hours the shop is open, and never past now."""
        clock = self.clock + datetime.timedelta(days=days, hours=hours)
        if clock.hour >= 18 or clock.hour < 8:
            clock = (clock if clock.hour < 8 else clock + datetime.timedelta(days=1)).replace(hour=9)
        while clock.weekday() > 4:
            clock += datetime.timedelta(days=1)
        self.clock = min(clock, self.shop.now - datetime.timedelta(seconds=30))
        return self.clock

    def tell(self) -> None:
        tale, shop = self.tale, self.shop
        self._log_in()
        if tale.until == "logged":
            return
        counts.count_in(self.job, by=shop.desk, keys=self.job.keys_here, boxes=self.job.boxes, at=self.later(hours=0.5))
        check = self._check(CheckKind.ARRIVAL, readings.arrival(tale.make, self.keys, self._to_read()))
        if tale.until == "reading":
            angle_read(check, by=shop.bench, at=check.begun_at)  # first: the run goes on at key 62
            return
        self._close(check)
        if tale.away:
            counts.go_away(
                self.job,
                by=shop.desk,
                place=tale.away,
                keys=self.job.keys_here,
                boxes=self.job.boxes,
                note="to match two ivory-coloured tops",
                at=self.later(hours=2),
            )
        if tale.until in ("arrival", "sample"):
            return
        decision = decision_record(
            job=self.job,
            basis=check,
            chosen=self._chosen(check),
            by=shop.owner,
            reason=tale.why,
            at=self.later(hours=2),
        )
        estimate = estimate_from_decision(decision, by=shop.owner, at=self.later(hours=1))
        extras = [estimates.drop_test(estimate, by=shop.owner)] if tale.drop else []
        if tale.off:
            estimates.favour(estimate, tale.off, by=shop.owner)
        estimate_send(estimate, to=self.job.client.email, by=shop.owner, at=self.later(hours=0.5))
        if tale.until == "sent":
            return
        estimate.refresh_from_db()
        self.later(days=min(3, max(tale.ago // 8, 1)))
        if tale.until == "declined":
            estimate_decline(estimate, name=self.job.client.name, reason="Too much for this piano.", at=self.clock)
            self._finish("pack", "leave")
            return
        self._yes(estimate, extras)
        self._work()

    def _tick(self, stage: Stage, count: int) -> None:
        """The first keys of a stage's work are done, the last of them by the other technician."""
        progress = progress_of(stage)
        assert progress is not None
        wanted = [key.number for key in progress.keys if key.wanted]
        for keys, person in (
            (wanted[: count - 3], self.shop.bench),
            (wanted[count - 3 : count], self.shop.people["wick"]),
        ):
            progress_keep(stage, done=keys, undone=(), by=person, at=self.later(hours=1))

    def _log_in(self) -> None:
        tale, shop = self.tale, self.shop
        piano = scenario.PIANOS[tale.piano]
        self.job = jobs.log_in(
            client=shop.client(piano.client),
            instrument=shop.piano(tale.piano),
            by=shop.desk,
            at=self.clock,
            boxes=tale.boxes,
            carrier=tale.carrier,
            damage=tale.damage,
            wishes=tale.wishes,
            humidity=Decimal(tale.humidity[0]),
        )
        self.compass = compass_set(
            job=self.job,
            by=shop.desk,
            first_midi=tale.first_midi,
            count=tale.count,
            missing=list(tale.missing),
            broken=list(tale.broken),
            at=self.clock,
        )
        self.keys = self.compass.keys
        self.job.refresh_from_db()
        photo_add(
            job=self.job,
            data=photos.whole_row(tale.make.seed, keys=tale.count),
            by=shop.desk,
            caption="The set as it came, with its pencilled cross",
            at=self.clock,
        )

    def _to_read(self) -> Sequence[int]:
        tale = self.tale
        if tale.sample:
            return tale.sample
        present = self.compass.present
        return present[: tale.read] if tale.read else present

    def _check(self, kind: str, rows: Sequence[readings.KeyRead]) -> Check:
        tale, shop = self.tale, self.shop
        used = {quantity for row in rows for quantity in row.values}
        check = check_begin(
            job=self.job,
            kind=kind,
            by=shop.bench,
            gauge=shop.caliper,
            humidity=Decimal(tale.humidity[0 if kind == CheckKind.ARRIVAL else 1]),
            temperature=Decimal("19.5"),
            quantities=[slug for slug in QUANTITIES if slug in used],
            sample=list(tale.sample),
            sample_random=bool(tale.sample),
            at=self.later(hours=1),
        )
        operations = [operation for row in rows for operation in self._operations(row)]
        for place, operation in enumerate(operations):  # one every three seconds, so that they have an order
            taken = self.clock + datetime.timedelta(seconds=3 * place)
            operation["taken_at"] = taken.astimezone(datetime.UTC).isoformat().replace("+00:00", "Z")
        for start in range(0, len(operations), 50):
            result = entries_apply(check, operations[start : start + 50], by=shop.bench, at=self.later(hours=0.05))
            if result.refused:
                raise RuntimeError(f"a reading of the demonstration is refused: {result.refused[0]}")
        self._photos(check, kind)
        return check

    def _operations(self, row: readings.KeyRead) -> list[dict[str, Any]]:
        common = {"key": row.key, "seq": 0}
        out = []
        for quantity, value in row.values.items():
            unit = {"deg": "deg", "g": "g"}.get(QUANTITIES[quantity].dimension, "mm")
            used = {"mm": self.shop.caliper, "deg": self.shop.bevel}.get(unit)
            gauge = used.pk if used else None
            entry = {"kind": "reading", "quantity": quantity, "value": value, "unit": unit, "instrument": gauge}
            out.append({**common, "op": str(uuid.uuid4()), **entry})
        for code, severity in row.findings.items():
            entry = {"kind": "finding", "finding": code, "severity": severity}
            out.append({**common, "op": str(uuid.uuid4()), **entry})
        return out

    def _photos(self, check: Check, kind: str) -> None:
        make = self.tale.make
        if kind == CheckKind.ARRIVAL:
            shown = [*list(make.torn)[:2], *list(make.moth)[:1], *list(make.cracked)[:1]]
        elif kind == CheckKind.FINAL:
            shown = list(make.torn)[:2]
        else:
            shown = list(self.tale.more_torn)[:1]
        for key in shown:
            if key not in self.compass.present:
                continue
            torn = key in make.torn and kind != CheckKind.FINAL
            photo_add(
                job=self.job,
                check=check,
                key=key,
                data=photos.mortise(make.seed + key, torn=torn, worn=kind == CheckKind.ARRIVAL),
                by=self.shop.bench,
                caption={"arrival": "as found", "stripped": "cloth out", "final": "after the work"}[kind],
                at=self.clock,
            )

    def _close(self, check: Check) -> None:
        check_close(check, by=self.shop.bench, confirm=True, at=self.later(hours=0.5))

    def _chosen(self, check: Check) -> list[str]:
        from keyboards.advising import advise

        advice = advise(self.job, check)
        if self.tale.choose == "advised":
            return [section.advised for section in advice.sections]
        return [self.tale.choose for _ in advice.sections]

    def _yes(self, estimate: Estimate, extras: Sequence[int]) -> None:
        options = list(estimate.options.all())
        option = next((row for row in options if row.advised), options[0])
        name = self.job.client.contact or self.job.client.name
        estimate_accept(estimate, option=option.letter, name=name, extras=extras, at=self.clock)
        estimate.refresh_from_db()
        deposit_receive(estimate, by=self.shop.desk, at=self.later(days=1))
        if self.tale.promise is not None:
            day = timezone.localdate(self.shop.now) + datetime.timedelta(days=self.tale.promise)
            jobs.promise_change(self.job, by=self.shop.owner, to=day, at=self.clock)

    def _work(self) -> None:
        tale, shop = self.tale, self.shop
        hands = [shop.bench, shop.people["wick"]]
        for turn, stage in enumerate(self.job.stages.all()):
            stage.refresh_from_db()
            if not stage.is_open or stage.whose != "bench":
                continue
            if stage.kind == "final_check":
                break
            if stage.ready_at and stage.ready_at > self.clock:
                if stage.ready_at > shop.now:
                    return  # it dries still
                self.clock = timezone.localtime(stage.ready_at)
            if stage.kind == "buttons":
                drawn(self.job, by=shop.bench, at=self.later(hours=1))
            if tale.until == stage.kind or (tale.until == "held" and stage.kind == "pins"):
                if tale.until == "held":
                    stages.job_hold(
                        self.job, by=shop.bench, reason=tale.held, waits_for="client", at=self.later(hours=1)
                    )
                    return
                stages.stage_begin(stage, by=shop.bench, at=self.later(hours=2))
                if tale.keys_done:
                    self._tick(stage, tale.keys_done)
                    stages.stage_put_down(
                        stage,
                        by=shop.bench,
                        to=shop.people["wick"],
                        note="all cut, fitted up to key 42: go on at key 44",
                        at=self.later(hours=1),
                    )
                return
            if stage.kind == "stripped_check":
                if tale.more_torn:
                    drawn(self.job, by=shop.bench, at=self.clock)
                    # Whoever draws must look again: the owner wants these buttons closer.
                    assumptions_keep(job=self.job, values={"part_width": 0.05}, by=shop.owner)
                rows = readings.stripped(tale.make, self.keys, self.compass.present, more_torn=tale.more_torn)
                self._close(self._check(CheckKind.STRIPPED, rows))
                if not estimates.after_stripping(self.job, by=shop.owner, at=self.later(hours=1)):
                    return
                continue
            by = hands[turn % 2]
            stages.stage_begin(stage, by=by, at=self.later(days=1 if tale.ago > 60 else 0, hours=4))
            for kind, where in USED_AT.get(stage.kind, ()):
                lot = Lot.objects.filter(material__kind=kind).order_by("pk").first()
                if lot is not None:
                    materials.use_record(job=self.job, lot=lot, by=by, where=where, at=self.clock)
            if stage.kind == "cloth":
                cauls_keep(self.job, suiting_cauls(self.job), by=by, at=self.clock)
            stages.stage_finish(stage, by=by, at=self.later(hours=float(stage.minutes) / 60 + 0.5))
        rows = readings.final(
            tale.make,
            self.keys,
            self.compass.present,
            failing=tale.failing,
            near=tale.near,
            held_up=tale.held_up,
            new_buttons=tale.choose == choice.RENEW_SECTION,
        )
        check = self._check(CheckKind.FINAL, [*rows, *readings.near_the_limit(tale.near)])
        if tale.until == "final":
            return
        if tale.drop:
            check_change(check, drop_tested=True, by=shop.bench, at=self.later(hours=0.3))
        self._close(check)
        if tale.released:
            check_release(check, by=shop.owner, reason=tale.released, at=self.later(hours=0.5))
        if self.job.client.kind == "technician":
            share_make(self.job, whom=self.job.client.name, days=90, by=shop.desk, at=self.clock)
        if tale.until == "home":
            self._finish("pack", "leave")

    def _finish(self, *kinds: str) -> None:
        for kind in kinds:
            stage = self.job.stages.get(kind=kind)
            if kind == "leave":
                stages.hand_over(stage, by=self.shop.desk, left_with=self.job.client.name, at=self.later(days=1))
            else:
                stages.stage_finish(stage, by=self.shop.desk, at=self.later(hours=3))
