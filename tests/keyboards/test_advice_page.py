"""The advice page: what it shows, what may be changed on it, what is decided there."""

import html
import re

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from keyboards.models import Assumptions, Decision
from keyboards.workflow.decisions import assumptions_keep
from shop.models import Event, Role
from shop.workflow.opening import open_shop
from tests.factories import make_check, make_job, make_person, make_readings

pytestmark = [pytest.mark.django_db, pytest.mark.once]


@pytest.fixture
def shop():
    return open_shop(name="Testing Key Works", currency="EUR")


def read_set(*, torn=(), count=88, keys=None, **fields):
    """A set read on arrival: 5.60 mm mortises on 3.70 pins, torn keys 0.4 mm wider."""
    job = make_job(count=count)
    check = make_check(job=job, closed=True, **fields)
    numbers = keys or list(range(1, count + 1))
    make_readings(
        check=check,
        keys=numbers,
        balance_mortise_width=[5600 + 10 * (key % 3) + (400 if key in torn else 0) for key in numbers],
        balance_pin=3700,
        skew=[100 if key % 2 else -100 for key in numbers],
        findings=[{"mortise_torn": 2} if key in torn else {} for key in numbers],
        grade=[2 if key in torn else 1 for key in numbers],
    )
    return job, check


def test_it_says_cloth_where_every_mortise_holds_one_cloth(client, shop):
    job, _ = read_set()
    client.force_login(make_person())
    page = client.get(reverse("advice", args=[job.number])).content.decode()
    assert page.count("<b>New cloth</b>") == 3
    assert "One cloth of 1.07 mm fits" in page


def test_a_bass_that_is_torn_throughout_gets_new_buttons(client, shop):
    job, _ = read_set(torn=range(1, 26))
    client.force_login(make_person(role=Role.OWNER))
    page = client.get(reverse("advice", args=[job.number])).content.decode()
    assert "<b>New buttons throughout</b>" in page
    assert "wider than the thickest stocked cloth can fill" in page
    assert "90 %: 25" in page  # all 25 were seen torn: no reading of a width makes that less certain


def test_22_of_88_keys_read_give_a_bound_and_say_so(client, shop):
    job, _ = read_set(keys=list(range(2, 89, 4)), sample=list(range(2, 89, 4)))
    client.force_login(make_person())
    page = client.get(reverse("advice", args=[job.number])).content.decode()
    assert "At most 9 keys fail" in page  # scipy's hypergeometric bound for 0 of 22 of 88
    assert "assumes a random pick" in page


def test_a_stripped_check_stands_on_what_was_read_on_arrival(client, shop):
    job, arrival = read_set()
    arrival.keys.filter(key=5).update(findings={"button_cracked": 3, "cloth_worn": 2}, grade=3)
    arrival.keys.update(skew=2000)
    stripped = make_check(job=job, kind="stripped", closed=True)
    make_readings(check=stripped, balance_mortise_width=5600, grade=0)
    client.force_login(make_person())
    page = client.get(reverse("advice", args=[job.number])).content.decode()
    assert "stripped check" in page
    assert "+2.0°" in page  # the angles nobody had to read again
    assert "The button of key 5 is cracked" in page


def test_a_changed_assumption_is_reckoned_at_once_and_kept_for_this_set_alone(client, shop):
    job, _ = read_set()
    other, _ = read_set()
    client.force_login(make_person())
    page = client.post(
        reverse("advice", args=[job.number]),
        {"act": "assumptions", "clearance": "0,12"},
        headers={"HX-Request": "true", "HX-Target": "advice"},
    )
    assert b"<html" not in page.content
    assert Assumptions.objects.get(job=job).values == {"clearance": 0.12}
    assert b'value="0.12"' in client.get(reverse("advice", args=[job.number])).content
    assert b'value="0.12"' not in client.get(reverse("advice", args=[other.number])).content
    assert Event.objects.filter(what="assumptions_changed", job=job).count() == 1


def fields_of(page) -> dict[str, str]:
    """What a browser sends of the assumptions on a page as it came."""
    fields = re.findall(r'<input (?![^>]*checkbox)[^>]*name="([a-z_]+)" value="([^"]*)"', page.content.decode())
    return {name: html.unescape(value) for name, value in fields} | {"act": "assumptions"}


def test_a_page_opened_before_an_assumption_was_changed_takes_nothing_back(client, shop):
    job, _ = read_set()
    client.force_login(make_person(role=Role.OWNER))
    address = reverse("advice", args=[job.number])
    opened = fields_of(client.get(address))
    client.post(reverse("shop_assumptions"), {"visit_fixed": "200"})
    assumptions_keep(job=job, values={"clearance": 0.12}, by=make_person())
    answer = client.post(address, opened | {"u_pin": "0.013"}, headers={"HX-Request": "true"})
    assert Assumptions.objects.get(job=job).values == {"clearance": 0.12, "u_pin": 0.013}
    # What the answer says of the fields is what is typed in them now: back to what stood there is a change again.
    answer = client.post(address, opened | fields_of(answer), headers={"HX-Request": "true"})
    assert Assumptions.objects.get(job=job).values == {"clearance": 0.12}


@pytest.mark.parametrize("text", ["zwölf", "9999", "NaN", "1e5", "1\x002", "9" * 5000, "٣", "-"])
def test_a_bad_assumption_gets_a_sentence_and_the_others_are_kept(client, shop, text):
    job, _ = read_set()
    client.force_login(make_person())
    page = client.post(
        reverse("advice", args=[job.number]), {"act": "assumptions", "compression": text, "clearance": "0.07"}
    )
    assert page.status_code == 200
    assert b'id="a-compression-error"' in page.content
    assert Assumptions.objects.get(job=job).values == {"clearance": 0.07}


def test_an_empty_field_takes_the_shops_value_again(client, shop):
    job, _ = read_set()
    client.force_login(make_person())
    address = reverse("advice", args=[job.number])
    client.post(address, {"act": "assumptions", "clearance": "0.09"})
    client.post(address, {"act": "assumptions", "clearance": ""})
    assert Assumptions.objects.get(job=job).values == {}


def test_inches_are_read_as_inches(client, shop):
    job, _ = read_set()
    client.force_login(make_person(units="in"))
    client.post(reverse("advice", args=[job.number]), {"act": "assumptions", "clearance": "0.004"})
    assert Assumptions.objects.get(job=job).values["clearance"] == pytest.approx(0.1016)


def test_sections_are_moved_by_hand_and_given_back(client, shop):
    job, _ = read_set()
    client.force_login(make_person())
    address = reverse("advice", args=[job.number])
    client.post(address, {"act": "sections", "section_title": ["Low", "High", ""], "section_last": ["40", "C8", ""]})
    assert Assumptions.objects.get(job=job).sections == [["Low", 1, 40], ["High", 41, 88]]
    assert b"Moved by hand" in client.get(address).content
    client.post(address, {"act": "sections_found"})
    assert Assumptions.objects.get(job=job).sections == []


@pytest.mark.parametrize("lasts", [["40"], ["90"], ["x", "88"], ["50", "40"], ["0", "88"], [""]])
def test_sections_that_leave_keys_out_are_refused(client, shop, lasts):
    job, _ = read_set()
    client.force_login(make_person())
    titles = [f"S{place}" for place in range(len(lasts))]
    page = client.post(
        reverse("advice", args=[job.number]), {"act": "sections", "section_title": titles, "section_last": lasts}
    )
    assert page.status_code == 200
    assert b'class="error" id="sl-' in page.content
    assert not Assumptions.objects.filter(job=job).exists()


def decide(client, job, check, options, reason=""):
    fields = {f"option_{index}": option for index, option in enumerate(options)}
    return client.post(
        reverse("advice", args=[job.number]), {"act": "decide", "basis": check.pk, "reason": reason, **fields}
    )


def test_a_decision_as_advised_is_kept_with_the_work_of_every_option(client, shop):
    job, check = read_set(torn=(30,))
    person = make_person()
    client.force_login(person)
    decide(client, job, check, ["reclothe", "reclothe_with_repairs", "reclothe"])
    decision = Decision.objects.get()
    assert (decision.by, decision.overruled) == (person, False)
    middle = decision.sections[1]
    assert middle["work"]["reclothe_with_repairs"] == {"cloth": "34", "strip": "34", "repair": "1", "repair_setup": "1"}
    assert Event.objects.filter(what="decision_recorded").count() == 1


def test_a_decision_against_the_advice_needs_a_sentence(client, shop):
    job, check = read_set()
    client.force_login(make_person())
    page = decide(client, job, check, ["renew_section"] * 3)
    assert b"say why in a sentence" in page.content
    assert not Decision.objects.exists()
    decide(client, job, check, ["renew_section"] * 3, "the client wants no old wood")
    assert Decision.objects.get().overruled


@pytest.mark.parametrize("basis", ["", "0", "x", "99999999999999999999", "-1"])
def test_a_decision_on_no_check_is_not_found(client, shop, basis):
    job, _ = read_set()
    client.force_login(make_person())
    answer = client.post(reverse("advice", args=[job.number]), {"act": "decide", "basis": basis})
    assert answer.status_code == 404


def test_a_sample_is_drawn_and_drawn_again_by_its_number(client, shop):
    job, _ = read_set()
    client.force_login(make_person())
    address = reverse("advice", args=[job.number])
    assert b"Draw a sample" not in client.get(address).content  # every key is read
    first = client.post(address, {"act": "sample", "count": "22", "seed": "7"}).content
    assert b"at most 9 keys" in first
    refused = client.post(address, {"act": "sample", "count": "100", "seed": "7"}).content
    assert b"88 keys here" in refused


def test_nothing_read_says_what_to_do_first(client, shop):
    job = make_job()
    client.force_login(make_person())
    assert b"No key has been read yet" in client.get(reverse("advice", args=[job.number])).content


def test_who_may_open_it(client, shop):
    job, _ = read_set()
    address = reverse("advice", args=[job.number])
    assert reverse("sign_in") in client.get(address)["Location"]
    client.force_login(make_person(role=Role.DESK))
    assert client.get(address).status_code == 403
    client.force_login(make_person())
    assert client.get(reverse("advice", args=[999])).status_code == 404
    assert client.put(address).status_code == 405
    assert client.post(address, {"act": "explode"}).status_code == 302
    assert client.get(reverse("shop_assumptions")).status_code == 403


def test_the_shops_own_assumptions_reach_every_set(client, shop):
    job, _ = read_set()
    client.force_login(make_person(role=Role.OWNER))
    assert client.post(reverse("shop_assumptions"), {"visit_fixed": "200"}).status_code == 302
    assert Assumptions.objects.get(job=None).values == {"visit_fixed": 200.0}
    page = client.get(reverse("advice", args=[job.number])).content.decode()
    assert 'name="visit_fixed" value="200"' in page
    wrong = client.post(reverse("shop_assumptions"), {"dip_low": "14"})
    assert b'id="a-dip_low-error"' in wrong.content


def test_88_keys_take_as_many_queries_as_12(client, shop):
    client.force_login(make_person())

    def queries(job):
        with CaptureQueriesContext(connection) as seen:
            assert client.get(reverse("advice", args=[job.number])).status_code == 200
        return len(seen)

    small, _ = read_set(count=12)
    large, _ = read_set()
    queries(small)
    assert queries(large) == queries(small)
