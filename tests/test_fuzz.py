"""Hostile and careless input everywhere: no exception, nothing half written, nothing that comes back as markup.

FUZZ_TRIES=10000 sends as many tries into the shop of the demonstration instead of a few into a small one; FUZZ_SEED
chooses others. On PostgreSQL only those run: the few cost more there than they would find.
"""

import io
import json
import logging
import os
import random
import re
import uuid
from contextlib import nullcontext
from types import SimpleNamespace

import pytest
from django.http import HttpResponse
from django.test import Client
from django.urls import include, path, reverse
from django.utils import timezone
from django.utils.html import format_html
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from post_office.models import Email

from keyboards.core.entries import KINDS
from keyboards.core.quantities import QUANTITIES
from keyboards.images import NotAPicture, reencode
from keyboards.management.commands.demo import Demonstration
from keyboards.models import CheckKind, Comeback, Decision
from keyboards.workflow.comebacks import comeback_keep
from keyboards.workflow.photos import photo_add
from keyboards.workflow.pricing import estimate_from_decision
from keyboards.workflow.shares import share_make
from shop.access import open_to_all
from shop.models import Instrument, Lot, Material, Person, Role, Workshop
from shop.workflow import bills, estimates, materials
from shop.workflow.feeds import feed_make
from shop.workflow.opening import open_shop
from tests import damaged
from tests.factories import make_check, make_client, make_job, make_person, make_readings, make_sent
from tests.fuzzing import Asked, Fuzz, Walk, walk
from tests.keyboards.test_pricing import decided
from tests.test_access import patterns

TRIES = int(os.environ.get("FUZZ_TRIES", "0"))
SEED = int(os.environ.get("FUZZ_SEED", "88"))
ON_SQLITE = not os.environ.get("DATABASE_URL")

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif(not (ON_SQLITE or TRIES), reason="the long version alone runs on PostgreSQL"),
]


@pytest.fixture(autouse=True)
def surroundings(monkeypatch):
    """Paper is not laid out, which takes a second each; no log has a line for each of thousands that are refused."""
    for module in ("documents.pdf", "documents.estimate", "documents.bill", "workflow.estimates", "workflow.bills"):
        monkeypatch.setattr(
            f"shop.{module}.render_pdf", lambda html, attached=(), most=0: b"%PDF-1.7\n" + html.encode()
        )
    monkeypatch.setattr("keyboards.documents.handoff.render_pdf", lambda html, attached=(), most=0: html.encode())
    # A snapshot cannot begin within a transaction, and every try is one.
    monkeypatch.setattr("shop.workflow.rows.snapshot", lambda connection: nullcontext())
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


def small_shop() -> None:
    """One of everything that has a page."""
    open_shop(name="Testing Key Works")
    owner, desk, bench = (make_person(role=role) for role in (Role.OWNER, Role.DESK, Role.TECHNICIAN))
    decision = decided(owner)
    estimate_from_decision(decision, by=owner)
    photo_add(job=decision.job, data=damaged.picture("JPEG"), by=desk, caption="as it came")
    check = make_check(job=decision.job, kind=CheckKind.STRIPPED, by=bench)
    make_readings(check=check, keys=range(1, 9), balance_mortise_width=5_550, balance_pin=3_700)
    photo_add(job=decision.job, check=check, key=3, data=damaged.picture("JPEG"), by=bench)
    home = make_job(by=desk)
    home.left_at = timezone.now()
    home.save()
    comeback_keep(Comeback(job=home), by=desk, reported_on=timezone.localdate(), keys=[4], cause="cloth_loose")
    make_sent(by=owner)
    for issue in (True, False):
        sent = make_sent(by=owner)
        estimates.estimate_accept(sent, option="A", name="Ilse Varga")
        estimates.deposit_receive(sent, by=desk)
        bill = bills.bill_draft(sent.job, by=owner)
        if issue:
            bills.bill_issue(bill, by=owner)
    cloth = materials.material_keep(Material(kind="cloth", title="Green cloth"), by=owner)
    materials.lot_add(Lot(material=cloth, code="A1", received_on=timezone.localdate()), by=owner)
    feed_make(title="On the wall", by=owner)


def signed_in() -> dict[str, Client]:
    """Nobody, and one person of each role."""
    who = {"nobody": Client()}
    for role in Role.values:
        who[role] = Client()
        who[role].force_login(Person.objects.filter(role=role, is_active=True).first() or make_person(role=role))
    return who


def starts() -> list[str]:
    """The set that has most, home, and what clients find in their letters."""
    text = "\n".join(Email.objects.order_by("pk").values_list("message", flat=True))
    jobs = [reverse("job_detail", args=[row.job.number]) for row in Decision.objects.select_related("job")[:1]]
    return [*jobs, "/", *dict.fromkeys(re.findall(r"https?://[^/\s]+(/[^\s]+/)", text))]


def every_name() -> list[str]:
    return sorted({pattern.name for pattern in patterns() if pattern.name})


def test_nothing_that_is_sent_breaks_a_page_or_half_writes():
    if TRIES:
        Demonstration(timezone.localtime(), lambda sentence: None).fill()
    else:
        small_shop()
    owner = Person.objects.filter(role=Role.OWNER).first()
    share_make(Decision.objects.first().job, whom="A tuner", days=30, by=owner, to="tuner@example.org")
    visitors = signed_in()
    found = walk({"owner": visitors["owner"]}, starts(), each=20 if TRIES else 1, shapes=6 if TRIES else 1)
    assert len(found.forms) > 60
    seen = {"bill_detail", "estimate_answer", "shared", "photo_angle", "check_cells", "lot_detail", "price_csv"}
    assert seen <= set(found.addresses)
    fuzz = Fuzz(visitors, found, every_name(), seed=SEED)
    fuzz.run(TRIES or 60)
    if TRIES:
        print(
            len(found.forms), "forms", fuzz.answers, "never walked:", sorted(set(every_name()) - set(found.addresses))
        )
    assert not fuzz.findings, fuzz.told()
    # Tries that all fail at the door would prove nothing.
    assert fuzz.answers["POST 302"] > TRIES / 8
    assert fuzz.answers["POST 200"] > TRIES / 8


def test_nothing_that_is_sent_on_the_first_day_breaks_it():
    Workshop.ours()  # made when it is first read, by whatever page
    visitors = {"nobody": Client()}
    found = walk(visitors, ["/"], each=2, shapes=1)
    assert "shop_open" in found.addresses
    fuzz = Fuzz(visitors, found, ["shop_open", "home", "sign_in"], seed=SEED)
    fuzz.run(TRIES // 20 or 12)
    assert not fuzz.findings, fuzz.told()


# --- the control: pages that are broken on purpose, each in another way


@open_to_all
def _page(request):
    names = ("falls", "half", "dangles", "echoes", "sound")
    form = '<form method="post" action="/broken/{}/"><input name="count" value="3"></form>'
    return HttpResponse("".join(form.format(name) for name in names) + '<a href="/broken/writes/">read</a>')


@open_to_all
def _falls(request):
    return HttpResponse(int(request.POST.get("count", "0")[:9] or 0))


@open_to_all
def _half(request):
    make_client(name="half of what was sent")
    return HttpResponse(status=302 if request.POST.get("count") == "3" else 400, headers={"Location": "/broken/"})


@open_to_all
def _dangles(request):
    text = request.POST.get("count", "")
    number = int(text) if text.isascii() and text.isdecimal() and len(text) < 9 else 1
    Instrument.objects.create(client_id=number + 1000, maker="Nobody", year=1900)
    return HttpResponse(status=302, headers={"Location": "/broken/"})


@open_to_all
def _echoes(request):
    return HttpResponse(request.POST.get("count", ""))


@open_to_all
def _sound(request):
    return HttpResponse(format_html("{}", request.POST.get("count", "")))


@open_to_all
def _writes(request):
    make_client(name="only looked")
    return HttpResponse("read")


_BROKEN = {"falls": _falls, "half": _half, "dangles": _dangles, "echoes": _echoes, "sound": _sound, "writes": _writes}
urlpatterns = [
    path("broken/", _page, name="page"),
    *(path(f"broken/{name}/", view, name=name) for name, view in _BROKEN.items()),
    path("", include("shop.urls")),
]


@pytest.mark.urls(__name__)
def test_a_page_that_is_broken_is_found():
    """The control: what the tests above would not see, nobody may trust them with."""
    visitors = {"owner": Client()}
    found = walk(visitors, ["/broken/"], each=3, shapes=1)
    fuzz = Fuzz(visitors, found, list(_BROKEN), seed=SEED)
    fuzz.run(250)
    kinds = {name: {kind.split(" ")[0] for view, kind in fuzz.findings if view == name} for name in _BROKEN}
    assert "ValueError" in kinds["falls"]
    assert "refused" in kinds["half"]
    assert "IntegrityError" in kinds["dangles"]
    assert "markup" in kinds["echoes"]
    assert "a" in kinds["writes"]  # a page that was only read
    assert kinds["sound"] == set()


# --- what tablets send

_text = st.text(alphabet=st.characters(exclude_categories=()), max_size=12)  # half characters (surrogates) too
_leaf = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | _text
    | st.sampled_from([10**400, -(2**63) - 1, "9" * 3000, "\x00", "\ud800"])
)
_branch = _leaf | st.lists(_leaf, max_size=3) | st.dictionaries(_text, _leaf, max_size=3)
_wild = _branch | st.lists(_branch, max_size=3) | st.dictionaries(_text, _branch, max_size=3)


def _or_wild(good: st.SearchStrategy) -> st.SearchStrategy:
    return st.one_of(good, good, good, good, _wild)


_operation = st.fixed_dictionaries(
    {
        "op": _or_wild(st.uuids().map(str)),
        "kind": _or_wild(st.sampled_from(KINDS)),
        "key": _or_wild(st.integers(1, 88)),
    },
    optional={
        "taken_at": _or_wild(st.just("2026-11-01T09:00:00Z")),
        "seq": _or_wild(st.integers(0, 9)),
        "quantity": _or_wild(st.sampled_from(sorted(QUANTITIES))),
        "value": _or_wild(st.sampled_from(["5.55", "3.70", "0.2", "5.60..5.65"])),
        "high": _wild,
        "unit": _or_wild(st.just("mm")),
        "instrument": _wild,
        "finding": _or_wild(st.just("mortise_torn")),
        "severity": _or_wild(st.integers(0, 3)),
        "grade": _or_wild(st.integers(0, 3)),
        "text": _or_wild(_text),
        "why": _or_wild(_text),
        "of": _or_wild(st.uuids().map(str)),
    },
)
_batch = _or_wild(
    st.fixed_dictionaries({"operations": _or_wild(st.lists(_operation, max_size=4))}, optional={"person": _wild})
)
_point = st.lists(_or_wild(st.integers(0, 60)), min_size=2, max_size=2)
_tapped = _or_wild(
    st.fixed_dictionaries(
        {
            "taps": _or_wild(st.lists(st.lists(st.lists(_point, min_size=2, max_size=2), min_size=2, max_size=2))),
            "reference_is": _or_wild(st.sampled_from(["square", "rail"])),
            "click_sd": _or_wild(st.just(1)),
        },
        optional={"card": _wild, "turn": _or_wild(st.just(90)), "bass_on": _wild},
    )
)
_some = settings(
    max_examples=TRIES // 5 or 15,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large],
)


@pytest.fixture
def tablet():
    """A check that is open with a photo, somebody who reads it, and what tells whether all is well."""
    bench = make_person(role=Role.TECHNICIAN)
    job = make_job(by=bench)
    check = make_check(job=job, by=bench)
    photo = photo_add(job=job, check=check, key=3, data=damaged.picture("JPEG"), by=bench)
    visitors = {"technician": Client()}
    visitors["technician"].force_login(bench)
    return SimpleNamespace(check=check, photo=photo, fuzz=Fuzz(visitors, Walk(), [], seed=SEED))


def send(tablet, name: str, argument, **asked) -> None:
    tablet.fuzz.send(Asked("technician", "POST", reverse(name, args=[argument]), **asked))
    assert not tablet.fuzz.findings, tablet.fuzz.told()


@_some
@given(body=_batch)
def test_any_batch_of_entries_is_answered(tablet, body):
    send(tablet, "operations", tablet.check.pk, raw=(json.dumps(body).encode(), "application/json"))


@_some
@given(tapped=_tapped, key=_text)
def test_any_points_on_a_photo_are_answered(tablet, tapped, key):
    for name in ("angle_reckon", "photo_angle"):
        sent = (("tapped", json.dumps(tapped)), ("key", key.encode(errors="replace")))
        send(tablet, name, tablet.photo.op, sent=sent)


def test_any_body_is_answered(tablet):
    for body in damaged.BODIES:
        send(tablet, "operations", tablet.check.pk, raw=body)
        send(tablet, "photo_send", tablet.check.pk, raw=body)
        send(tablet, "angle_reckon", tablet.photo.op, raw=body)


def test_a_good_batch_is_kept(tablet):
    """The control: were every batch refused at the door, the tests above would prove nothing."""
    one = {"op": str(uuid.uuid4()), "kind": "note", "key": 3, "taken_at": "2026-11-01T09:00:00Z", "text": "sound"}
    body = json.dumps({"operations": [one]}).encode()
    send(tablet, "operations", tablet.check.pk, raw=(body, "application/json"))
    assert tablet.fuzz.answers == {"POST 200": 1}
    assert "keyboards_entry" in tablet.fuzz.rows.written


# --- files


@pytest.mark.parametrize(("name", "data"), [(name, data) for name, data, _kind in damaged.NO_PICTURES])
def test_what_is_no_picture_is_refused(name, data):
    with pytest.raises(NotAPicture):
        reencode(data)


@pytest.mark.parametrize("data", [data for _name, data, _kind in damaged.TWO_AT_ONCE[:3]])
def test_of_a_file_that_is_two_things_only_the_picture_is_kept(data):
    assert b"<script" in data or b"PK\x03\x04" in data
    kept = reencode(data)
    for jpeg in (kept.large, kept.small):
        assert jpeg.startswith(b"\xff\xd8")
        assert jpeg.endswith(b"\xff\xd9")
        assert b"<" + b"script" not in jpeg
        assert b"PK\x03\x04" not in jpeg


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "HEIF"])
def test_a_damaged_picture_is_refused_or_kept_whole(kind):
    whole, chance = damaged.picture(kind), random.Random(SEED)
    refused = 0
    for _turn in range(TRIES // 20 or 12):
        at = chance.randrange(len(whole))
        data = whole[:at] if chance.random() < 0.5 else damaged.flipped(whole, at)
        try:
            kept = reencode(data)
        except NotAPicture:
            refused += 1
        else:
            assert Image.open(io.BytesIO(kept.large)).size == (kept.width, kept.height)
    assert refused
