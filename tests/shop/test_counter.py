"""The counter: the rack, and logging a set in on one page."""

import datetime
import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from keyboards.models import Compass, Photo
from shop import seams
from shop.models import Client, Event, Instrument, Job, Role
from shop.workflow.jobs import LoggedInAlready, log_in
from shop.workflow.stages import job_hold
from tests.factories import make_client, make_instrument, make_job, make_person
from tests.ladder import climb

pytestmark = [pytest.mark.django_db, pytest.mark.once]

# One pixel as PNG.
PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d494844520000000100000001080200000090"
    "7753de0000000c49444154789c63f8cfc000000301010018dd8db00000000049454e44ae426082"
)


@pytest.fixture
def desk(client):
    person = make_person(role=Role.DESK, first_name="Tom", last_name="Quill")
    client.force_login(person)
    return person


def typed(**fields) -> dict:
    """A page filled in as far as it must be."""
    return {
        "op": str(uuid.uuid4()),
        "client-name": "Marrow Bridge Hall",
        "client-kind": "institution",
        "piano-maker": "Corvane",
        "piano-kind": "upright",
        "boxes": "2",
        "with_keyframe": "on",
        "compass": "88",
        **fields,
    }


def send(client, /, **fields):
    return client.post(reverse("job_log_in"), typed(**fields))


def errors(response) -> set[str]:
    """Names of the fields that the page complains about."""
    page = response.context["page"]
    return {name for form in page.forms if form.is_bound for name in form.errors}


# --- the rack ------------------------------------------------------------------------------------


def test_the_rack_and_the_log_in_page_are_for_everybody_here():
    climb("counter")
    climb("job_log_in", methods={"GET", "POST"})


def test_every_set_in_the_shop_is_on_the_rack_and_no_other(client, desk):
    here, gone = make_job(), make_job()
    Job.objects.filter(pk=gone.pk).update(left_at=timezone.now())
    page = client.get(reverse("counter")).content.decode()
    assert here.tag in page
    assert gone.tag not in page
    assert "1 keyboard in the shop · 1 needs someone today" in page
    lately = client.get(reverse("counter"), {"show": "gone"}).content.decode()
    assert gone.tag in lately
    assert here.tag not in lately


def test_an_empty_shop_says_what_to_do_first(client, desk):
    page = client.get(reverse("counter")).content.decode()
    assert "No keyboard in the shop" in page
    assert reverse("job_log_in") in page


def test_the_rack_tells_where_when_and_what_it_waits_for(client, desk):
    late = make_job(promised_on=timezone.localdate() - datetime.timedelta(days=3))
    job_hold(make_job(), by=desk, reason="pins are ordered")
    page = client.get(reverse("counter")).content.decode()
    assert "3 days late" in page
    assert "On hold: pins are ordered" in page
    assert reverse("job_detail", args=[late.number]) in page


def test_the_rack_asks_as_often_for_twenty_sets_as_for_two(client, desk):
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert client.get(reverse("counter")).status_code == 200
        return len(captured)

    for _ in range(2):
        make_job()
    two = queries()
    for _ in range(18):
        make_job(promised_on=timezone.localdate())
    assert queries() == two


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ({"turn": "held"}, {"held"}),
        ({"turn": "desk"}, {"late", "plain"}),
        ({"turn": "client"}, set()),
        ({"late": "1"}, {"late"}),
        ({"q": "  OTTO "}, {"plain"}),
        ({"q": "otto", "late": "1"}, set()),
        ({"turn": "nobody", "late": "maybe", "show": "elsewhere"}, {"held", "late", "plain"}),
        ({"q": "\x00"}, {"held", "late", "plain"}),
        ({"q": "x" * 10_000}, set()),
    ],
)
def test_the_rack_is_filtered(client, desk, asked, found):
    rows = {
        "held": make_job(),
        "late": make_job(promised_on=timezone.localdate() - datetime.timedelta(days=1)),
        "plain": make_job(client=make_client(name="Otto Pike")),
    }
    job_hold(rows["held"], by=desk, reason="damp")
    shown = {row.job.tag for row in client.get(reverse("counter"), asked).context["rows"]}
    assert shown == {rows[name].tag for name in found}


def test_filtering_by_htmx_brings_the_rack_alone(client, desk):
    job = make_job()
    page = client.get(
        reverse("counter"), {"q": job.client.name}, headers={"HX-Request": "true", "HX-Target": "rack"}
    ).content.decode()
    assert page.strip().startswith('<div class="stack" id="rack">')
    assert job.tag in page
    assert "<html" not in page


def test_an_htmx_target_that_is_not_there_gets_the_whole_page(client, desk):
    page = client.get(reverse("counter"), headers={"HX-Request": "true", "HX-Target": "nothing"}).content.decode()
    assert "<html" in page


def test_a_scanned_tag_leads_straight_to_its_set(client, desk):
    job = make_job()
    Job.objects.filter(pk=job.pk).update(left_at=timezone.now())
    answer = client.get(reverse("counter"), {"q": f"k{job.number}"})
    assert answer["Location"] == reverse("job_detail", args=[job.number])
    assert client.get(reverse("counter"), {"q": "K-999999999"}).status_code == 200


# --- logging in ----------------------------------------------------------------------------------


def test_a_set_is_logged_in_with_everything_that_was_said(client, desk):
    answer = send(
        client,
        **{
            "client-contact": "P. Dunmore",
            "client-email": "dunmore@example.org",
            "piano-year": "1912",
            "piano-serial": "48 213",
            "piano-keytops": "ivory",
        },
        with_sample_pins="on",
        carrier="Wendle Carriers",
        damage="box 2 crushed",
        wishes="even touch",
        moved_on="spring 2024",
        humidity="41,5",
        promised_on=(timezone.localdate() + datetime.timedelta(days=20)).isoformat(),
        missing="1-3, C4",
        broken="88",
        stamps="1 to 88",
    )
    job = Job.objects.get()
    assert answer["Location"] == reverse("job_detail", args=[job.number])
    assert (job.client.name, job.client.kind, job.client.contact) == (
        "Marrow Bridge Hall",
        "institution",
        "P. Dunmore",
    )
    assert (job.instrument.maker, job.instrument.year, job.instrument.serial) == ("Corvane", 1912, "48 213")
    assert (job.boxes, job.with_keyframe, job.with_sample_pins, str(job.humidity)) == (2, True, True, "41.5")
    assert (job.damage, job.wishes, job.carrier, job.moved_on) == (
        "box 2 crushed",
        "even touch",
        "Wendle Carriers",
        "spring 2024",
    )
    compass = Compass.objects.get(job=job)
    assert (compass.first_midi, compass.count, compass.missing, compass.broken) == (21, 88, [1, 2, 3, 40], [88])
    assert job.grades == "---" + "." * 36 + "-" + "." * 48
    assert job.stage == "count_in"
    assert list(job.events.order_by("id").values_list("what", flat=True)) == ["job_logged_in", "compass_set"]
    assert set(Event.objects.values_list("by", flat=True)) == {desk.pk}


def test_tags_count_up(client, desk):
    send(client)
    send(client, client="new")
    assert list(Job.objects.order_by("number").values_list("number", flat=True)) == [1, 2]


def test_a_second_click_logs_in_nothing_and_leads_to_the_same_set(client, desk):
    op = str(uuid.uuid4())
    first, second = send(client, op=op), send(client, op=op)
    assert first["Location"] == second["Location"]
    assert (Job.objects.count(), Client.objects.count(), Compass.objects.count()) == (1, 1, 1)


def test_the_page_kept_open_logs_another_set_in_only_when_it_is_meant(client, desk):
    op = str(uuid.uuid4())
    send(client, op=op)
    Job.objects.update(received_at=timezone.now() - datetime.timedelta(minutes=10))
    page = send(client, op=op, client="new", wishes="for the second set")
    assert page.status_code == 200
    assert "This page has logged in K-0001 already." in page.content.decode()
    assert "for the second set" in page.content.decode()
    assert Job.objects.count() == 1
    fresh = page.context["page"].choice["op"].value()
    assert fresh != op
    send(client, op=fresh, client="new")
    assert Job.objects.count() == 2


def test_an_op_is_refused_by_the_workflow_too():
    by = make_person()
    piano, op = make_instrument(), uuid.uuid4()
    job = log_in(client=piano.client, instrument=piano, by=by, op=op)
    with pytest.raises(LoggedInAlready) as already:
        log_in(client=piano.client, instrument=piano, by=by, op=op)
    assert already.value.job == job


@pytest.mark.parametrize("op", ["", "not a number", "\x00", "1" * 5000])
def test_a_spoilt_op_costs_one_more_click_and_nothing_typed(client, desk, op):
    page = send(client, op=op, wishes="even touch")
    assert "Press once more" in page.content.decode()
    assert "even touch" in page.content.decode()
    assert Job.objects.count() == 0
    fresh = page.context["page"].choice["op"].value()
    assert send(client, op=fresh).status_code == 302


def test_a_part_that_says_no_leaves_nothing_behind(client, desk):
    photo = SimpleUploadedFile("row.jpg", b"this is no picture", content_type="image/jpeg")
    other = SimpleUploadedFile("cross.jpg", b"nor is this", content_type="image/jpeg")
    page = send(client, photos=[photo, SimpleUploadedFile("good.png", PIXEL), other], wishes="even touch")
    assert page.status_code == 200
    assert "row.jpg" in page.content.decode()
    assert "cross.jpg" in page.content.decode()  # all of them at once
    assert "even touch" in page.content.decode()
    assert (Job.objects.count(), Client.objects.count(), Photo.objects.count(), Event.objects.count()) == (0, 0, 0, 0)


def test_photos_are_kept_with_the_set(client, desk):
    send(client, photos=[SimpleUploadedFile("a.png", PIXEL), SimpleUploadedFile("b.png", PIXEL)])
    job = Job.objects.get()
    assert Photo.objects.filter(job=job, by=desk, key=None).count() == 2


@pytest.mark.parametrize(
    ("fields", "wrong"),
    [
        ({"client-name": ""}, {"name"}),
        ({"client-name": "A\x00B"}, {"name"}),
        ({"client-name": "x" * 10_000}, {"name"}),
        ({"client-kind": "enemy"}, {"kind"}),
        ({"client-email": "no at sign"}, {"email"}),
        ({"piano-maker": " "}, {"maker"}),
        ({"piano-year": "10" * 15}, {"year"}),
        ({"piano-year": "1" * 5000}, {"year"}),
        ({"piano-year": "1699"}, {"year"}),
        ({"piano-year": "nineteen"}, {"year"}),
        ({"boxes": "0"}, {"boxes"}),
        ({"boxes": "21"}, {"boxes"}),
        ({"boxes": str(10**30)}, {"boxes"}),
        ({"boxes": ""}, {"boxes"}),
        ({"humidity": "NaN"}, {"humidity"}),
        ({"humidity": "Infinity"}, {"humidity"}),
        ({"humidity": "1e1"}, {"humidity"}),
        ({"humidity": "96"}, {"humidity"}),
        ({"humidity": "٤٥"}, {"humidity"}),
        ({"promised_on": "2020-02-02"}, {"promised_on"}),
        ({"promised_on": "2026-02-31"}, {"promised_on"}),
        ({"damage": "x" * 2001}, {"damage"}),
        ({"compass": "other", "first_note": "H9", "count": "88"}, {"first_note"}),
        ({"compass": "other", "first_note": "A0", "count": str(10**30)}, {"count"}),
        ({"compass": "other", "first_note": "G9", "count": "88"}, {"count"}),
        ({"compass": "other"}, {"first_note", "count"}),
        ({"compass": "1000"}, {"compass"}),
        ({"missing": "1-5, 99"}, {"missing"}),
        ({"missing": "1-88"}, {"missing"}),
        ({"missing": "1-5", "broken": "5, C3"}, {"broken"}),
        ({"broken": "\x00"}, {"broken"}),
        ({"client-name": "", "boxes": "-1", "missing": "x"}, {"name", "boxes", "missing"}),
    ],
)
def test_what_cannot_be_right_is_said_beside_the_field_and_nothing_is_lost(client, desk, fields, wrong):
    page = send(client, wishes="even touch by Christmas", **fields)
    assert page.status_code == 200
    assert errors(page) == wrong
    text = page.content.decode()
    assert "even touch by Christmas" in text
    for value in fields.values():
        assert value in text or len(value) > 100 or not value.isprintable() or not value.strip()
    assert (Job.objects.count(), Client.objects.count(), Event.objects.count()) == (0, 0, 0)


def test_six_megabytes_of_text_are_turned_away(client, desk):
    assert send(client, wishes="x" * 6_000_000).status_code == 400
    assert Job.objects.count() == 0


def test_a_promise_may_wait(client, desk):
    send(client)
    assert Job.objects.get().promised_on is None


@pytest.mark.parametrize(
    ("fields", "first_midi", "count"),
    [
        ({"compass": "85"}, 21, 85),
        ({"compass": "73"}, 29, 73),
        ({"compass": "61"}, 36, 61),
        ({"compass": "other", "first_note": "c2", "count": "49"}, 36, 49),
        ({"compass": "other", "first_note": "F#1", "count": "70"}, 30, 70),
        ({"compass": "88", "first_note": "H9", "count": "-3"}, 21, 88),
    ],
)
def test_any_compass_can_be_written_down(client, desk, fields, first_midi, count):
    """MIDI numbers: MIDI 1.0 specification, note 60 is middle C (C4 here), so C2 is 36, F1 is 29, A0 is 21."""
    send(client, **fields)
    compass = Compass.objects.get()
    assert (compass.first_midi, compass.count) == (first_midi, count)
    job = Job.objects.get()
    assert (job.first_note, len(job.grades)) == (first_midi, count)


# --- finding clients and instruments again -------------------------------------------------------


def look(client, target: str, /, **fields) -> str:
    return client.get(
        reverse("job_log_in"), fields, headers={"HX-Request": "true", "HX-Target": target}
    ).content.decode()


def test_clients_are_found_while_the_name_is_typed(client, desk):
    known = make_client(name="Ilse Varga", phone="0123 555 017")
    make_client(name="Otto Pike")
    part = look(client, "client_candidates", **{"client-name": "varg"})
    assert part.strip().startswith('<div id="client_candidates"')
    assert f'value="{known.pk}"' in part
    assert "Otto Pike" not in part
    assert "Ilse Varga" in look(client, "client_candidates", **{"client-name": "555017"})
    assert "Ilse Varga" not in look(client, "client_candidates", **{"client-name": "v"})


def test_a_piano_is_found_by_its_number_however_it_is_spaced(client, desk):
    job = make_job(instrument=make_instrument(maker="Thornquist", serial="48 213"))
    Job.objects.filter(pk=job.pk).update(left_at=datetime.datetime(2024, 3, 5, 12, tzinfo=datetime.UTC))
    for serial in ("48213", "48 213", "48-21"):
        part = look(client, "instrument_choices", **{"piano-serial": serial})
        assert "Thornquist" in part
        assert f"last here as {job.tag}, home March 2024" in part
    assert "Thornquist" not in look(client, "instrument_choices", **{"piano-serial": "48"})
    assert "Thornquist" not in look(client, "instrument_choices", **{"piano-serial": "Thornquist"})


def test_a_clients_pianos_are_offered(client, desk):
    piano = make_instrument(maker="Thornquist", serial="")
    make_instrument(maker="Corvane", serial="")
    part = look(client, "instrument_choices", client=str(piano.client_id))
    assert "Thornquist" in part
    assert "Corvane" not in part


def test_finding_asks_as_often_for_many_as_for_one(client, desk):
    owner = make_client(name="Ilse Varga")

    def queries(target: str, /, **fields) -> int:
        with CaptureQueriesContext(connection) as captured:
            look(client, target, **fields)
        return len(captured)

    make_job(client=owner, instrument=make_instrument(client=owner, serial="48 213"))
    few = queries("client_candidates", **{"client-name": "varga"}), queries("instrument_choices", client=str(owner.pk))
    for _ in range(7):
        make_job(client=owner, instrument=make_instrument(client=owner, serial="48 213"))
        make_client(name="Ilse Varga")
    many = queries("client_candidates", **{"client-name": "varga"}), queries("instrument_choices", client=str(owner.pk))
    assert many == few


def test_without_a_script_a_button_finds_and_nothing_typed_is_judged_or_lost(client, desk):
    known = make_client(name="Ilse Varga")
    page = client.post(
        reverse("job_log_in"), {"find": "client", "client-name": "varga", "boxes": "none", "wishes": "even touch"}
    )
    text = page.content.decode()
    assert f'value="{known.pk}"' in text
    assert "even touch" in text
    assert 'value="none"' in text
    assert 'class="error"' not in text
    assert Job.objects.count() == 0


def test_a_known_client_and_piano_make_no_second_row(client, desk):
    piano = make_instrument(serial="48 213")
    send(client, client=str(piano.client_id), instrument=str(piano.pk), **{"client-name": "varga", "piano-maker": ""})
    job = Job.objects.get()
    assert (job.client, job.instrument) == (piano.client, piano)
    assert (Client.objects.count(), Instrument.objects.count()) == (1, 1)


def test_a_piano_found_by_its_number_names_its_owner(client, desk):
    piano = make_instrument()
    send(client, instrument=str(piano.pk), **{"client-name": "", "client-kind": "", "piano-maker": ""})
    assert Job.objects.get().client == piano.client


def test_a_piano_that_changed_hands_goes_to_the_new_owner_and_says_so(client, desk):
    piano = make_instrument(client=make_client(name="Ilse Varga"))
    send(client, instrument=str(piano.pk))
    job = Job.objects.get()
    piano.refresh_from_db()
    assert piano.client == job.client
    assert job.client.name == "Marrow Bridge Hall"
    assert job.events.filter(what="instrument_moved").exists()


def test_a_name_that_is_known_must_be_chosen_or_called_new(client, desk):
    make_client(name="Marrow  Bridge HALL")
    page = send(client)
    assert errors(page) == {"client"}
    assert Job.objects.count() == 0
    assert send(client, client="new").status_code == 302
    assert Client.objects.count() == 2


def test_a_number_that_is_known_must_be_chosen_or_called_new(client, desk):
    make_instrument(serial="48 213")
    page = send(client, **{"piano-serial": "48213"})
    assert errors(page) == {"instrument"}
    assert send(client, instrument="new", **{"piano-serial": "48213"}).status_code == 302


@pytest.mark.parametrize("name", ["client", "instrument"])
@pytest.mark.parametrize("value", ["999", "-1", "٣", "1e3", "9" * 15, "9" * 30, "\x00", "new'--"])
def test_a_choice_that_is_not_there_is_refused(client, desk, name, value):
    page = send(client, **{name: value})
    if value.isascii() and value.isdigit() and len(value) < 16:
        assert errors(page) == {name}
        assert Job.objects.count() == 0
    else:  # nothing that names a row: as if nothing had been chosen, or too long for the field
        assert Job.objects.count() == (0 if errors_or_none(page) else 1)
        assert all(job.client.name == "Marrow Bridge Hall" for job in Job.objects.all())


def errors_or_none(response) -> set[str]:
    return errors(response) if response.status_code == 200 else set()


def test_a_log_in_sent_by_htmx_goes_to_the_page_of_the_set(client, desk):
    answer = client.post(reverse("job_log_in"), typed(), headers={"HX-Request": "true"})
    assert answer["HX-Redirect"] == reverse("job_detail", args=[Job.objects.get().number])
    part = client.post(reverse("job_log_in"), typed(boxes="0"), headers={"HX-Request": "true", "HX-Target": "log_in"})
    assert part.content.decode().strip().startswith('<form class="form" id="log_in"')


def test_the_parts_of_the_page_name_no_field_twice(client, desk):
    page = client.get(reverse("job_log_in")).context["page"]
    names = [form.add_prefix(name) for form in page.forms for name in form.fields]
    assert len(names) == len(set(names))
    assert len(seams.intake) == 2


def test_the_page_can_be_begun_for_a_client_or_piano_that_is_known(client, desk):
    piano = make_instrument()
    text = client.get(reverse("job_log_in"), {"client": piano.client_id, "instrument": piano.pk}).content.decode()
    assert f'name="client" value="{piano.client_id}" checked' in text
    assert f'name="instrument" value="{piano.pk}" checked' in text


def test_everything_is_kept_or_nothing(desk):
    def refuse(job):
        raise RuntimeError("the disk is full")

    piano = make_instrument()
    with pytest.raises(RuntimeError), transaction.atomic():
        log_in(client=piano.client, instrument=piano, by=desk, parts=[refuse])
    assert (Job.objects.count(), Event.objects.count()) == (0, 0)
