"""Parcels: what belongs goes in, what does not stays out, and it comes back row by row."""

import io
import json
import re
import zipfile
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.urls import reverse
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from keyboards.models import Assumptions, Comeback, KeyReading
from keyboards.workflow.photos import photo_add
from shop import seams
from shop.models import Event, Job, Person, Role
from shop.workflow import parcels, rows
from shop.workflow.backups import Damaged, verify
from shop.workflow.events import record
from shop.workflow.parcels import LEFT_OUT, NEEDED, OWNED, SHOPS_OWN, WHOLE, parcel_make, parcel_of
from tests.factories import make_check, make_client, make_instrument, make_job, make_person, make_readings, make_sent
from tests.keyboards.test_photos import jpeg
from tests.ladder import climb
from tests.places import Place, drop_database, new_database, sqlite_place

pytestmark = pytest.mark.django_db(transaction=True)


def known() -> dict[str, rows.Table]:
    return rows.tables(connection, rows.applied(connection))


def lines_of(parcel) -> dict[str, list[str]]:
    contents = parcels._Contents(parcel, timezone.now())
    return {table: list(contents.lines(table, model)) for table, model in contents.known.items()}


@pytest.fixture
def home(settings, tmp_path, quick_paper):
    settings.DATA_DIR, settings.MEDIA_ROOT = tmp_path / "home", tmp_path / "home" / "media"
    settings.DATA_DIR.mkdir()
    return settings.DATA_DIR


@pytest.fixture
def place(tmp_path):
    """An empty place, on the kind of database the tests run on."""
    made = sqlite_place(tmp_path / "elsewhere")
    if connection.vendor == "sqlite":
        yield made
        return
    address = new_database()
    yield Place(made.folder, {**made.env, "DATABASE_URL": address})
    drop_database(address)


def two_sets() -> tuple[Job, Job]:
    """Two sets of two clients in one shop, each with readings, a photo and an estimate that went out by letter."""
    person = make_person(first_name="Zoë", last_name="O'Rourke", email="zoe@example.org")
    found = []
    for name in ("Ilse Varga", "Bram Quist"):
        job = make_job(by=person, client=make_client(name=name, email=f"{name[:4].lower()}@example.org"), wishes="=1+1")
        photo_add(job=job, data=jpeg(), by=person, key=41, caption=f"of {name}")
        make_readings(check=make_check(job=job, by=person, closed=True), balance_mortise_width=5_662, extra={"b": 1})
        make_sent(by=person, job=job)
        Assumptions.objects.create(job=job, values={"clearance": 0.06})
        found.append(job)
    return found[0], found[1]


# --- what goes in ---


def test_every_table_is_placed_on_purpose():
    """A table that somebody adds goes nowhere by itself: it is of a set, named by others, a list, or left out."""
    trades = seams.parcels[0]
    whole = trades.whole - set(trades.owned)
    placed = [*OWNED, *trades.owned, *NEEDED, *trades.needed, *WHOLE, *whole, *SHOPS_OWN, *LEFT_OUT]
    assert sorted(placed) == sorted(known())


@pytest.mark.once
def test_what_belongs_to_a_set_and_what_it_names_goes_in_and_nothing_else(home, tmp_path):
    mine, other = two_sets()
    record("gauge_changed", by=None, gauge=1, was={"checked_on": "2024-05-02"})  # a report printed again needs it
    record("backup_made", by=None)
    path = parcel_make(tmp_path, parcel_of(mine), by=None)
    assert verify(path)["part"] == mine.tag
    with zipfile.ZipFile(path) as archive:
        everything = {name: archive.read(name) for name in archive.namelist()}
    text = b"\n".join(everything.values())
    assert b"Ilse Varga" in text
    assert other.client.name.encode() not in text
    assert other.client.email.encode() not in text
    assert sum(name.startswith("media/photos") for name in everything) == 2  # the photo and its small one
    assert sum(name.startswith("media/estimates") for name in everything) == 1
    assert len(everything["rows/shop_job.jsonl"].splitlines()) == 1
    assert b"gauge_changed" in everything["rows/shop_event.jsonl"]
    assert b"backup_made" not in everything["rows/shop_event.jsonl"]
    assert f"read/{mine.tag}-readings.csv" in everything
    assert json.loads(everything[f"read/{mine.tag}-readings.json"])
    assert len(everything["rows/keyboards_keyreading.jsonl"].splitlines()) == 88
    assert everything["read/tables/keyboards_keyreading.csv"].count(b"\r\n") == 89
    assert b"'=1+1" in everything["read/tables/shop_job.csv"]
    readme = everything["README.txt"].decode()
    for table, told in verify(path)["tables"].items():
        assert (f"\n{table} ({told['rows']})\n" in readme) is bool(told["rows"]), table


@pytest.mark.once
@pytest.mark.parametrize("whole", [False, True])
def test_no_password_and_no_key_to_a_door_goes_in(home, tmp_path, whole):
    mine, _other = two_sets()
    (token,) = re.findall(r"/estimate/([\w-]{40,})/", "".join(_letters(mine)))
    path = parcel_make(tmp_path, parcel_of(None if whole else mine), by=None)
    with zipfile.ZipFile(path) as archive:
        text = b"\n".join(archive.read(name) for name in archive.namelist())
        assert (b"zoe@example.org" in text) is whole
    person = Person.objects.get(first_name="Zoë")
    for secret in (token, person.password, parcels.apps.get_model("shop", "Link").objects.first().token_hash):
        assert secret
        assert secret.encode() not in text
    assert "/estimate/…/".encode() in text  # the letter itself is there


def _letters(job):
    return [link.letter.message for estimate in job.estimates.all() for link in estimate.links.all()]


def test_a_piano_that_was_sold_since_does_not_tell_who_has_it_now(home):
    mine, _other = two_sets()
    buyer = make_client(name="Greta Sand")
    type(mine.instrument).objects.filter(pk=mine.instrument_id).update(client=buyer)
    for subject in (mine, mine.client):
        found = lines_of(parcel_of(subject))
        assert not any("Greta Sand" in line for lines in found.values() for line in lines)
        assert len(found["shop_instrument"]) == 1
    assert any("Greta Sand" in line for line in lines_of(parcel_of(mine.instrument))["shop_client"])


def test_the_set_of_a_visit_goes_with_the_set_that_came_back(home):
    mine, other = two_sets()
    later = make_job(client=mine.client, instrument=mine.instrument)
    Comeback.objects.create(
        job=mine,
        reported_on="2026-01-05",
        keys=[4],
        cause="cloth_worn",
        under_guarantee=True,
        by=mine.received_by,
        at=timezone.now(),
        visit=later,
    )
    found = lines_of(parcel_of(mine))["shop_job"]
    assert len(found) == 2
    assert not any(f'"{other.op}"' in line for line in found)


def test_a_client_without_a_set_has_a_parcel_too(home):
    client = make_client(name="Nobody Yet")
    make_instrument(client=client)
    found = lines_of(parcel_of(client))
    assert len(found["shop_client"]) == len(found["shop_instrument"]) == 1
    assert not found["shop_job"]


# --- and back ---


def test_of_the_whole_shop_every_row_goes_in_but_the_keys_to_doors(home):
    two_sets()
    changed = {"shop_person", "post_office_email"}
    models = known()
    for table, lines in lines_of(parcel_of(None)).items():
        here = list(rows.lines(connection, models[table]))
        assert len(lines) == (0 if table in LEFT_OUT else len(here)), table
        assert table in LEFT_OUT or (lines != here) is (table in changed), table


READ_BACK = """
import json
from django.db import connection
from shop.workflow import rows
known = rows.tables(connection, rows.applied(connection))
print(json.dumps({table: list(rows.lines(connection, model)) for table, model in known.items()}))
"""


def test_it_comes_back_into_an_empty_place_row_by_row(home, tmp_path, place):
    mine, _other = two_sets()
    parcel = parcel_of(mine.client)
    lines = lines_of(parcel)
    path = parcel_make(tmp_path, parcel, by=None)
    place.manage("restore", str(path))
    there = json.loads(place.script(READ_BACK))
    assert there == lines
    assert len(there["shop_job"]) == 1
    photo = next((place.folder / "media" / "photos").rglob("*.jpg"))
    assert photo.read_bytes() == next((home / "media" / "photos").rglob(photo.name)).read_bytes()


words = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=20)
numbers = st.integers(-(10**12), 10**12)
trees = st.recursive(
    st.none() | st.booleans() | numbers | words, lambda inner: st.dictionaries(words, inner, max_size=3)
)
sets = st.fixed_dictionaries(
    {
        "wishes": words,
        "humidity": st.none() | st.decimals(0, 95, places=1),
        "extra": st.dictionaries(words, trees, max_size=3),
        "note": words,
        "widths": st.lists(st.none() | st.integers(2_000, 15_000), min_size=3, max_size=3),
        "event": trees,
    }
)


@pytest.mark.django_db
@given(shop=st.lists(sets, min_size=1, max_size=2))
@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_out_and_in_again_is_the_same_whatever_stands_in_it(shop):
    with transaction.atomic():
        for facts in shop:
            job = make_job(count=5)
            Job.objects.filter(pk=job.pk).update(wishes=facts["wishes"], humidity=facts["humidity"])
            check = make_check(job=job)
            for key, width in enumerate(facts["widths"], start=1):
                KeyReading.objects.create(
                    check_done=check, key=key, balance_mortise_width=width, extra=facts["extra"], note=facts["note"]
                )
            record("job_changed", by=job.received_by, job=job, changes=facts["event"])
        out = lines_of(parcel_of(job))
        transaction.set_rollback(True)
    with transaction.atomic():
        models = known()
        with connection.cursor() as cursor:
            for table in parcels.WHOLE:
                cursor.execute(f"DELETE FROM {table}")
        for table, model in models.items():
            if table != "shop_event" or not Event.objects.exists():
                rows.fill(connection, model, out[table])
        back = {table: list(rows.lines(connection, model)) for table, model in models.items()}
        connection.check_constraints()
        transaction.set_rollback(True)
    assert back == out
    assert len(out["keyboards_keyreading"]) == 3


def test_a_parcel_that_was_damaged_on_its_way_is_refused(home, tmp_path):
    mine, _other = two_sets()
    path = parcel_make(tmp_path, parcel_of(mine), by=None)
    contents = bytearray(path.read_bytes())
    contents[len(contents) // 2] ^= 0xFF
    path.write_bytes(contents)
    with pytest.raises(Damaged):
        verify(path)


# --- page and command ---


@pytest.mark.once
def test_only_the_owner_takes_parcels_away(home):
    mine, _other = two_sets()
    climb("job_parcel", mine.number, roles={Role.OWNER}, methods={"GET", "HEAD", "POST"})
    for name, pk in (("client_parcel", mine.client_id), ("instrument_parcel", mine.instrument_id)):
        climb(name, pk, roles={Role.OWNER}, methods={"POST"})


@pytest.mark.once
@pytest.mark.parametrize("name", ["job_parcel", "client_parcel", "instrument_parcel"])
def test_the_page_gives_the_file_and_keeps_none(client, home, name, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    mine, _other = two_sets()
    client.force_login(make_person(role=Role.OWNER))
    args = {"job_parcel": mine.number, "client_parcel": mine.client_id, "instrument_parcel": mine.instrument_id}
    answer = client.post(reverse(name, args=[args[name]]))
    contents = b"".join(answer.streaming_content)
    assert answer["Content-Disposition"].startswith('attachment; filename="balance-rail-')
    with zipfile.ZipFile(io.BytesIO(contents)) as archive:
        assert archive.testzip() is None
    assert [path for path in tmp_path.iterdir() if path != home] == []
    assert Event.objects.filter(what="parcel_made").count() == 1


def test_a_full_disk_is_said_and_nothing_half_is_left(client, home, monkeypatch):
    mine, _other = two_sets()
    client.force_login(make_person(role=Role.OWNER))

    def full(*_args, **_more):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(parcels, "archive_make", full)
    answer = client.post(reverse("job_parcel", args=[mine.number]), follow=True)
    assert "No parcel was made" in answer.content.decode()
    assert not Event.objects.filter(what="parcel_made").exists()


@pytest.mark.once
def test_the_command_prints_where_it_is(home, tmp_path):
    mine, _other = two_sets()
    out = io.StringIO()
    call_command("parcel", job=mine.tag, to=tmp_path, stdout=out)
    assert verify(Path(out.getvalue().splitlines()[-1]))["part"] == mine.tag
    for wrong in ({"job": "K-9999"}, {"job": "x"}, {"client": 999}, {"instrument": 999}):
        with pytest.raises(CommandError):
            call_command("parcel", to=tmp_path, **wrong)
