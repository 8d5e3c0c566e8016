"""A decision becomes a draft: options, lines, allowance and words that follow from the readings."""

import random
import re
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from keyboards import advising
from keyboards.models import Compass, Decision
from keyboards.workflow.decisions import decision_record
from keyboards.workflow.pricing import _titles, _way, estimate_from_decision
from shop.models import Client, ClientKind, Estimate, Event, Operation, Role, Workshop
from shop.workflow.estimates import DraftLine, _line, _Prices
from shop.workflow.opening import open_shop
from shop.workflow.refusal import Refused
from tests.factories import make_check, make_job, make_person, make_readings
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner(client):
    open_shop(name="Testing Key Works")
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


def decided(
    owner, *, kind: str = "arrival", choose: str = "", cracked: tuple[int, ...] = (), read: int = 88
) -> Decision:
    """A set whose bass is worn out of reach of any cloth, whose middle has two torn mortises, decided as advised."""
    chance = random.Random(5)
    job = make_job()
    check = make_check(job=job, kind=kind, closed=True)
    keys = list(range(1, read + 1))
    findings = []
    for key in keys:
        found = {}
        if key in cracked:
            found["button_cracked"] = 3
        if key in (30, 44):
            found["mortise_torn"] = 2
        if key in (40, 41):
            found["top_loose"] = 2
        if key == 3:
            found["lead_oxide"] = 3
        if key == 50:
            found["hole_oval"] = 1  # too slight to be mended
        findings.append(found)
    widths = [round(1000 * chance.gauss(6.9 if key <= 26 else 5.55, 0.03)) for key in keys]
    grades = [3 if key in cracked else 2 if key <= 26 or key in (30, 44) else 1 for key in keys]
    make_readings(
        check=check, keys=keys, balance_mortise_width=widths, balance_pin=3700, findings=findings, grade=grades
    )
    advice = advising.advise(job, check)
    chosen = [choose or section.advised for section in advice.sections]
    return decision_record(job=job, basis=check, chosen=chosen, by=owner, reason="As the client wishes")


def draft(decision: Decision, owner) -> Estimate:
    estimate = estimate_from_decision(decision, by=owner)
    return Estimate.objects.with_lines().get(pk=estimate.pk)


def test_the_decision_is_our_advice_and_the_options_rise_in_price(owner):
    decision = decided(owner)
    estimate = draft(decision, owner)
    offer = estimate.offer
    assert [priced.option.letter for priced in offer] == ["A", "B", "C"]
    prices = [priced.totals.net for priced in offer]
    assert prices == sorted(prices)
    advised = [priced for priced in offer if priced.option.advised]
    assert len(advised) == 1
    assert [priced.option.title for priced in offer] == [  # no two of them read alike
        "New cloth",
        "New cloth, torn mortises lined, new buttons in 1 section",
        "All new buttons",
    ]
    assert "A mortise is the slot" in estimate.intro
    work = {
        code: sum(Decimal(section["work"][section["chosen"]].get(code, 0)) for section in decision.sections)
        for code in ("cloth", "strip", "button_batch", "button_single", "repair")
    }
    for code, quantity in work.items():
        assert sum(line.quantity for line in advised[0].own if line.operation.code == code) == quantity, code


def test_two_ways_of_the_same_kind_name_their_sections(owner):
    sections = decided(owner).sections
    lined, cloth = "reclothe_with_repairs", "reclothe"
    ways = [_way(sections, options, {}, chosen=False) for options in ([lined, cloth, cloth], [lined] * 3)]
    assert _titles(ways, sections) == [
        "New cloth, torn mortises lined: Bass",
        "New cloth, torn mortises lined: Bass, Middle, Treble",
    ]


def test_each_option_costs_what_its_work_costs_by_the_price_list(owner):
    decision = decided(owner)
    estimate = draft(decision, owner)
    for priced in estimate.offer:
        for line in priced.own:
            assert line.operation is not None
            expected = line.operation.minutes * 60 / Decimal(60) + line.operation.material_price
            assert line.unit_price == expected.quantize(Decimal("0.01"))
    assert {line.operation.code for line in estimate.common} == {"pins", "ease", "final"}


def test_work_in_one_section_names_it_and_work_in_all_stands_once(owner):
    estimate = draft(decided(owner), owner)
    advised = next(priced for priced in estimate.offer if priced.option.advised)
    cloth = [line for line in advised.own if line.operation.code == "cloth"]
    assert [(line.quantity, line.section) for line in cloth] == [(88, "")]
    sections = {line.section for line in advised.own if line.operation.code.startswith("button")}
    assert sections
    assert all(section for section in sections)


def test_the_cheapest_way_says_what_it_leaves_loose(owner):
    estimate = draft(decided(owner), owner)
    cheapest = estimate.offer[0].option
    assert not cheapest.advised
    assert any("would stay loose" in point for point in cheapest.point_list)
    assert any("cannot guarantee" in point for point in cheapest.point_list)
    assert not any(point.startswith("guarantee") for point in cheapest.point_list)
    assert cheapest.point_list[-1] == "for the others: guarantee 5 years"


def test_cloth_is_never_offered_over_a_cracked_button(owner):
    estimate = draft(decided(owner, cracked=(70, 71)), owner)
    for priced in estimate.offer:
        treble = [
            line
            for line in priced.own
            if line.operation.code.startswith("button") and (line.section.startswith("Treble") or not line.section)
        ]
        assert treble, priced.option


def test_all_new_buttons_decided_leaves_no_dearer_way(owner):
    estimate = draft(decided(owner, choose="renew_section"), owner)
    assert estimate.offer[-1].option.advised
    assert len(estimate.offer) == 2


def test_findings_beside_cloth_and_buttons_become_extras(owner):
    extras = {line.operation.code: line for line in draft(decided(owner), owner).extras}
    assert set(extras) == {"tops", "leads"}
    assert (extras["tops"].quantity, extras["tops"].section) == (2, "keys 40, 41")
    assert (extras["leads"].quantity, extras["leads"].section) == (1, "key 3")


def test_an_allowance_stands_before_stripping_and_not_after(owner):
    before = draft(decided(owner), owner)
    assert before.allowance_price == Decimal("8.40")
    after = draft(decided(owner, kind="stripped"), owner)
    assert after.allowance_keys == 0
    kept = draft(decided(owner, choose="renew_section"), owner)
    assert kept.allowance_keys == 0  # new wood everywhere hides nothing


def test_the_words_are_made_of_the_readings(owner):
    intro = draft(decided(owner), owner).intro
    assert intro.startswith("We read all 88 keys on arrival. Of these: on 60 the cloth is worn, on 28 the wood is")
    assert "Bass, keys 1 to 26: 26 of 26 would not hold with new cloth alone" in intro
    assert "the wood is good enough for new cloth" in intro
    assert "with the old cloth out" in draft(decided(owner, kind="stripped"), owner).intro
    half = draft(decided(owner, read=44, choose="reclothe"), owner).intro
    assert "We read 44 of 88 keys" in half
    assert (
        "Bass, keys 1 to 26: 26 of 26 would not hold with new cloth alone; we advise new cloth, and they would" in half
    )
    assert re.search(r"Middle, keys 27 to 60: judged by the 18 we read, about \d+ of 34 would not hold", half)


def test_a_missing_key_a_broken_stick_and_for_a_technician_the_failing_keys_are_named(owner):
    decision = decided(owner)
    job = decision.job
    Compass.objects.filter(job=job).update(missing=[88], broken=[60])
    decision.basis.keys.filter(key=88).delete()
    decision.basis.keys.filter(key=61).update(findings={"stick_broken": 2})
    estimate = draft(decision, owner)
    intro = estimate.intro
    extra = {line.operation.code: line.section for line in estimate.extras}
    assert (extra["sticks"], extra["new_key"]) == ("key 61", "key 88")
    assert "Key 88 did not come." in intro
    assert "In none of these options unless a line names it: stick broken (61), came in broken (60)." in intro
    assert "(1–26)" not in intro
    told = [advising.sentence(reason) for reason in advising.advise(job).reasons]
    assert "Key 88 did not come: it is in none of these costs." in told
    assert "In none of these costs, a line of its own in the estimate: stick broken (61), came in broken (60)." in told
    Estimate.objects.all().delete()
    Client.objects.filter(pk=job.client_id).update(kind=ClientKind.TECHNICIAN)
    Workshop.objects.update(trade_discount=10)
    again = draft(Decision.objects.get(pk=decision.pk), owner)
    assert "26 of 26 would not hold with new cloth alone (1–26); we advise" in again.intro
    # What stripping adds at the allowance's price is the list's price less the technicians' share, and says so.
    assert again.allowance_price == Decimal("7.56")
    found = DraftLine("repair", Decimal(2), unit_price=again.allowance_price)
    assert _line(again, None, found, 1, _Prices(Workshop.ours(), timezone.localdate())).saved == Decimal("1.68")


def test_sections_moved_since_the_decision_do_not_matter(owner):
    from keyboards.workflow.decisions import sections_keep

    decision = decided(owner)
    sections_keep(job=decision.job, sections=[("left", 1, 40), ("right", 41, 88)], by=owner)
    estimate = draft(decision, owner)
    assert any(priced.option.advised for priced in estimate.offer)
    assert all(priced.totals.net > 0 for priced in estimate.offer)


def test_a_price_list_without_an_operation_is_told(owner):
    decision = decided(owner)
    Operation.objects.filter(code="button_setup").delete()
    with pytest.raises(Refused, match="button_setup"):
        estimate_from_decision(decision, by=owner)
    assert not Estimate.objects.exists()


def test_the_button_on_the_advice_drafts_once(client, owner):
    decision = decided(owner)
    address = reverse("estimate_from_decision", args=[decision.job.number, decision.pk])
    answer = client.post(address)
    estimate = Estimate.objects.get()
    assert answer["Location"] == estimate.get_absolute_url()
    assert Event.objects.get(what="estimate_drafted").details["decision"] == decision.pk
    again = client.post(address)
    assert again["Location"] == estimate.get_absolute_url()
    assert Estimate.objects.count() == 1


def test_a_technician_drafts_and_leaves_it_to_the_owner(client, owner):
    decision = decided(owner)
    client.force_login(make_person())
    answer = client.post(reverse("estimate_from_decision", args=[decision.job.number, decision.pk]))
    assert answer["Location"] == reverse("job_detail", args=[decision.job.number])
    assert Estimate.objects.count() == 1


def test_who_may_price(owner):
    decision = decided(owner)
    climb("estimate_from_decision", decision.job.number, decision.pk, roles={Role.TECHNICIAN}, methods={"POST"})
    gone("estimate_from_decision", decision.job.number, 4711, method="POST")
    gone("estimate_from_decision", make_job().number, decision.pk, method="POST")
