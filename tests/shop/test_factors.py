"""The second step of signing in: codes by the clock, codes on paper, and nothing in between.

The codes are those of RFC 6238, appendix B (SHA-1, the secret "12345678901234567890"): an app with six digits shows the
last six of the eight there.
"""

import base64
import datetime
import re

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django_otp.oath import totp

from shop.models import Event, RecoveryCode, Role, SecondFactor
from shop.workflow import factors
from shop.workflow.refusal import Refused
from tests.factories import make_person, make_workshop
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db

PASSWORD = "long enough for a test"
KEY = base64.b32encode(b"12345678901234567890").decode()
RFC_6238 = {
    59: "94287082",
    1111111109: "07081804",
    1111111111: "14050471",
    1234567890: "89005924",
    2000000000: "69279037",
    20000000000: "65353130",
}
EVENING = datetime.datetime(2026, 11, 25, 20, 0, tzinfo=datetime.UTC)


def code(later: int = 0) -> str:
    """What an app shows so many half minutes from now."""
    return f"{totp(base64.b32decode(KEY), drift=later):06d}"


@pytest.fixture
def clock():
    with time_machine.travel(EVENING, tick=False) as traveller:
        yield traveller


@pytest.fixture
def ada(clock):
    """An owner whose app and paper codes are set up; person.paper holds these."""
    person = make_person(role=Role.OWNER, username="ada")
    person.paper = factors.factor_add(person, key=KEY, code=code())
    clock.shift(60)
    return person


def typed_password(client, username="ada", password=PASSWORD, **more):
    return client.post(reverse("sign_in"), {"username": username, "password": password, **more})


def typed_code(client, text):
    return client.post(reverse("sign_in_code"), {"code": text})


def is_in(client) -> bool:
    return "_auth_user_id" in client.session


def test_the_pages_have_their_rungs():
    climb("factor")
    climb("factor_change", "off", methods={"POST"})
    climb("signed_out_everywhere", methods={"POST"})
    climb("quick_pin", methods={"POST"})
    climb("factor_demand", roles={Role.OWNER}, methods={"POST"})
    gone("factor_change", "everything", method="POST")


@pytest.mark.parametrize(("moment", "eight"), RFC_6238.items())
def test_the_codes_are_those_of_the_standard_and_each_opens_once(moment, eight):
    person = make_person()
    SecondFactor.objects.create(person=person, key=KEY, since=EVENING)
    with time_machine.travel(moment, tick=False):
        factors.code_take(person, eight[2:])
        with pytest.raises(Refused):
            factors.code_take(person, eight[2:])


def test_a_clock_may_be_half_a_minute_off_and_no_code_of_earlier_than_the_last_opens(clock, ada):
    for text in (code(-2), code(2)):
        with pytest.raises(Refused):
            factors.code_take(ada, text)
    factors.code_take(ada, code(1))
    with pytest.raises(Refused):
        factors.code_take(ada, code(0))


def test_nobody_is_in_between_the_password_and_the_code(client, ada):
    answer = typed_password(client, next="/office/people/")
    assert answer["Location"] == reverse("sign_in_code")
    for name in ("counter", "office", "person_settings", "factor"):
        assert client.get(reverse(name))["Location"].startswith(reverse("sign_in")), name
    assert client.get(reverse("factor_set_up"))["Location"] == reverse("factor")  # and no other phone is set up
    for wrong in ("000000", "", "x" * 5000, "\x00", "١٢٣٤٥٦", "-12345", PASSWORD):
        assert typed_code(client, wrong).status_code == 200
    assert not is_in(client)


def test_the_code_leads_where_the_person_wanted_to_go(client, ada):
    typed_password(client, next="/office/people/")
    assert typed_code(client, f"{code()[:3]} {code()[3:]}")["Location"] == "/office/people/"
    assert client.get(reverse("office")).status_code == 200


def test_the_code_is_worth_nothing_without_a_password_typed_of_late(client, clock, ada):
    assert typed_code(client, code())["Location"] == reverse("sign_in")
    typed_password(client)
    clock.shift(11 * 60)
    assert typed_code(client, code())["Location"] == reverse("sign_in")
    typed_password(client)
    ada.set_password("another long password")
    ada.save()
    assert typed_code(client, code())["Location"] == reverse("sign_in")
    assert not is_in(client)


def test_codes_are_guessed_five_times_and_then_the_right_one_waits_too(client, clock, ada):
    typed_password(client)
    for _again in range(5):
        typed_code(client, "000000")
    assert "Wait a quarter of an hour" in typed_code(client, code()).content.decode()
    assert "Wait a quarter of an hour" in typed_code(client, ada.paper[0]).content.decode()
    clock.shift(16 * 60)
    typed_password(client)
    assert typed_code(client, code()).status_code == 302


def test_a_code_from_paper_opens_once_and_only_its_hash_is_kept(client, ada):
    assert len(set(ada.paper)) == 10
    assert not RecoveryCode.objects.filter(code_hash__in=[text.replace("-", "") for text in ada.paper]).exists()
    typed_password(client)
    assert typed_code(client, ada.paper[3].lower()).status_code == 302
    assert Event.objects.get(what="recovery_code_used").details == {"person": ada.pk, "left": 9}
    other = Client()
    typed_password(other)
    assert typed_code(other, ada.paper[3]).status_code == 200


def test_setting_it_up_takes_the_password_and_a_code_and_ends_other_sessions(client, clock):
    person = make_person(username="rosa")
    client.force_login(person)
    elsewhere = Client()
    elsewhere.force_login(person)
    begin = reverse("factor_change", args=["begin"])
    assert client.get(reverse("factor_set_up"))["Location"] == reverse("factor")
    assert "not your password" in client.post(begin, {"password": "wrong"}).content.decode()
    assert client.post(begin, {"password": PASSWORD})["Location"] == reverse("factor_set_up")
    page = client.get(reverse("factor_set_up")).content.decode()
    key = "".join(re.findall(r"<span>([A-Z2-7]{4})</span>", page))
    assert len(key) == 32
    assert client.post(reverse("factor_set_up"), {"code": "000000"}).status_code == 200
    assert not SecondFactor.objects.exists()
    answer = client.post(reverse("factor_set_up"), {"code": f"{totp(base64.b32decode(key)):06d}"})
    assert len(re.findall(r"(?:[A-Z2-7]{4}-){5}[A-Z2-7]{4}", answer.content.decode())) == 10
    assert client.get(reverse("factor_set_up"))["Location"] == reverse("factor")  # shown once
    assert client.get(reverse("counter")).status_code == 200
    assert elsewhere.get(reverse("counter")).status_code == 302


def test_it_comes_off_with_password_and_code_only(client, clock, ada):
    client.force_login(ada)
    off = reverse("factor_change", args=["off"])
    for sent in ({"password": PASSWORD}, {"code": code()}, {"password": PASSWORD, "code": "000000"}):
        assert client.post(off, sent).status_code == 200
    assert factors.factor_of(ada)
    client.post(off, {"password": PASSWORD, "code": code()})
    assert factors.factor_of(ada) is None
    assert typed_password(Client())["Location"] == reverse("home")


def test_new_paper_codes_put_the_old_ones_out_of_use(client, ada):
    client.force_login(ada)
    page = client.post(reverse("factor_change", args=["codes"]), {"password": PASSWORD, "code": code()})
    fresh = re.findall(r"(?:[A-Z2-7]{4}-){5}[A-Z2-7]{4}", page.content.decode())
    with pytest.raises(Refused):
        factors.code_take(ada, ada.paper[0])
    factors.code_take(ada, fresh[0])


def test_an_owner_asks_it_of_all_owners_and_those_without_set_it_up_on_the_way_in(client, clock, ada):
    make_workshop()
    second = make_person(role=Role.OWNER, username="max")
    theirs = Client()
    theirs.force_login(second)
    with pytest.raises(Refused):
        factors.factor_demand(True, by=second)
    client.force_login(ada)
    client.post(reverse("factor_demand"), {"on": "1"})
    assert theirs.get(reverse("counter")).status_code == 302
    assert typed_password(theirs, "max", next="/office/")["Location"] == reverse("factor_set_up")
    page = theirs.get(reverse("factor_set_up")).content.decode()
    assert theirs.get(reverse("office")).status_code == 302
    key = "".join(re.findall(r"<span>([A-Z2-7]{4})</span>", page))
    done = theirs.post(reverse("factor_set_up"), {"code": f"{totp(base64.b32decode(key)):06d}"})
    assert 'href="/office/"' in done.content.decode()
    assert theirs.get(reverse("office")).status_code == 200
    clock.shift(60)
    client.post(reverse("factor_change", args=["off"]), {"password": PASSWORD, "code": code()})
    assert factors.factor_of(ada)
    assert typed_password(Client(), make_person(username="tom").username)["Location"] == reverse("home")


def test_signed_out_everywhere_is_everywhere_but_here(client):
    person = make_person()
    client.force_login(person)
    elsewhere = Client()
    elsewhere.force_login(person)
    client.post(reverse("signed_out_everywhere"), {"password": PASSWORD})
    assert client.get(reverse("counter")).status_code == 200
    assert elsewhere.get(reverse("counter")).status_code == 302


def test_whoever_stands_at_the_machine_takes_it_off(ada, capsys):
    call_command("second_factor_off", "ada")
    assert factors.factor_of(ada) is None
    assert Event.objects.get(what="second_factor_removed").by is None
    for name in ("ada", "nobody"):
        with pytest.raises(CommandError):
            call_command("second_factor_off", name)


def test_no_event_holds_a_secret(ada):
    told = str(list(Event.objects.values_list("details", flat=True)))
    assert KEY not in told
    assert ada.paper[0] not in told
