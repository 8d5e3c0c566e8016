"""Three sets from the yes to the door, by three roles: one straight through, one on hold for a part and away for a
while, one sent back by its final check. And the pages of the route on each screen."""

import datetime
import re

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from keyboards.progressing import progress_of
from shop.models import Job, Role
from tests.factories import make_check, make_person, make_readings
from tests.keyboards.test_found import KNOWN, strip, to_strip

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.usefixtures("quick_paper")]


@pytest.fixture
def people():
    from shop.workflow.opening import open_shop

    open_shop(name="Testing Key Works", deposit_rate=0)
    return {role: make_person(role=role, first_name=role.label, last_name="Fennimore") for role in Role}


@pytest.fixture
def bench(page, context, sign_in, people):
    return Bench(page, context, sign_in, people)


class Bench:
    """A browser in the shop, at which whoever is named sits down."""

    def __init__(self, page, context, sign_in, people):
        self.page, self.context, self.sign_in, self.people = page, context, sign_in, people

    def sits(self, role):
        self.context.clear_cookies()
        self.sign_in(self.people[role])

    def at(self, job, kind):
        self.page.goto(reverse("stage_detail", args=[job.number, job.stages.get(kind=kind).pk]))

    def press(self, name):
        self.page.get_by_role("button", name=name).first.click()

    def work(self, job, until="final_check"):
        """Every stage of work, taken in hand and finished; what dries is dry by the next morning."""
        job.refresh_from_db()
        while job.stage != until:
            job.stages.update(ready_at=timezone.now())
            asked = job.stage == "cloth" and not job.current_stage.reason  # no lot is written down; once, not again
            self.at(job, job.stage)
            self.press(re.compile("Take it in hand"))
            expect(self.page.get_by_text("It is in your hands.")).to_be_visible()
            self.press(re.compile("This stage is done"))
            if asked:
                self.press("It is done all the same")
            expect(self.page.get_by_text("The stage is done.")).to_be_visible()
            job.refresh_from_db()

    def final(self, job, **loose):
        """A final check of every key, closed on its page."""
        check = make_check(job=job, kind="final", by=self.people[Role.TECHNICIAN], quantities=["side_play"])
        play = [loose.get(f"k{key}", 480) for key in range(1, 89)]
        make_readings(check=check, side_play=play, grade=0)
        self.page.goto(reverse("check_close", args=[job.number, check.pk]))
        self.page.locator("main form .btn-main").first.click()
        return check

    def packed(self, job):
        self.at(job, "pack")
        self.page.fill("[name=keys]", "88")
        self.page.fill("[name=boxes]", "1")
        self.press("Counted and packed")
        job.refresh_from_db()
        assert job.stage == "leave"


def agreed(people):
    job = to_strip(people[Role.OWNER])
    strip(job, people[Role.OWNER], torn=KNOWN)
    job.refresh_from_db()
    return job


def test_three_sets_are_carried_from_the_yes_to_ready(page, bench, people):
    straight, held, back = (agreed(people) for _ in range(3))

    bench.sits(Role.TECHNICIAN)
    bench.work(straight)
    bench.final(straight)

    # The second waits for a part, then goes to somebody else and comes back one key short.
    page.goto(reverse("job_hold", args=[held.number]))
    page.select_option("[name=waits_for]", "part")
    page.fill("[name=reason]", "balance pins are ordered")
    bench.press("Put on hold")
    page.goto(reverse("bench"))
    expect(page.get_by_role("heading", name="Waiting for a part or material")).to_be_visible()
    bench.sits(Role.DESK)
    page.goto(reverse("job_detail", args=[held.number]))
    bench.press("Take off hold")
    page.get_by_role("link", name="Away for a while").click()
    page.fill("[name=place]", "Orlo, keytops")
    page.fill("[name=keys]", "88")
    page.fill("[name=boxes]", "1")
    bench.press("Counted, it goes")
    expect(page.get_by_text("Kept. Everything is there.")).to_be_visible()
    page.get_by_role("link", name=re.compile("Count it back in")).first.click()
    page.fill("[name=keys]", "87")
    page.fill("[name=boxes]", "1")
    bench.press("Counted, it is back")
    expect(page.locator(".alarm")).to_contain_text("1 key is missing")
    page.locator(".alarm").get_by_role("link", name="Count again").click()
    page.fill("[name=keys]", "88")
    page.fill("[name=boxes]", "1")
    bench.press("Keep the count")
    expect(page.locator(".alarm")).to_have_count(0)
    bench.sits(Role.TECHNICIAN)
    bench.work(held)
    bench.final(held)

    # The third comes back from its final check: two loose keys get new cloth, and are read again.
    bench.work(back)
    bench.final(back, k12=2_500, k57=2_600)
    page.goto(reverse("final_verdicts", args=[back.number]))
    bench.press("Send these keys back")
    expect(page.get_by_text("Keys done: 0 of 2")).to_be_visible()
    page.locator(".key-tick.again").first.click()
    expect(page.get_by_text("Keys done: 1 of 2")).to_be_visible()
    page.locator(".key-tick.again").first.click()
    expect(page.get_by_text("Keys done: 2 of 2")).to_be_visible()
    assert progress_of(back.stages.get(kind="cloth")).again == ""
    bench.work(back)
    bench.final(back)

    bench.sits(Role.DESK)
    for job in (straight, held, back):
        bench.packed(job)
    bench.sits(Role.OWNER)
    page.goto(reverse("counter"))
    expect(page.locator(".rack-row")).to_have_count(3)
    assert set(Job.objects.values_list("stage", "keys_short", "away_to")) == {("leave", 0, "")}


def test_the_pages_of_the_route_read_well(page, screen, bench, people, axe, fits):
    job = agreed(people)
    bench.sits(Role.OWNER)
    Job.objects.filter(pk=job.pk).update(keys_short=1, promised_on=timezone.localdate())
    job.refresh_from_db()
    stage = job.current_stage
    stage.ready_at = timezone.now() + datetime.timedelta(days=3)
    stage.save()
    addresses = [
        reverse("stage_detail", args=[job.number, stage.pk]),
        reverse("job_away", args=[job.number]),
        reverse("job_count", args=[job.number]),
        reverse("job_promise", args=[job.number]),
        reverse("bench"),
        reverse("counter"),
        reverse("queue"),
    ]
    for address in addresses:
        page.goto(address)
        expect(page.locator("h1")).to_be_visible()
        axe(page)
        fits(page)
