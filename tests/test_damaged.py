"""Files that are brought in, damaged in every way: archives, prices, readings, old spreadsheets, logos.

Each is whole and good first, then hurt as a disk, a mail program or a forger would. FUZZ_TRIES=10000 hurts each so
often; FUZZ_SEED chooses other damages.
"""

import hashlib
import json
import logging
import os
import random
import zipfile
from collections.abc import Iterator
from contextlib import nullcontext

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from keyboards.models import CheckKind
from keyboards.workflow.photos import photo_add
from shop.models import Operation, Role, Workshop
from shop.workflow import backups, rows
from shop.workflow.backups import archive_make, verify
from shop.workflow.opening import open_shop
from shop.workflow.parcels import parcel_make, parcel_of
from shop.workflow.refusal import Refused
from tests import damaged
from tests.factories import make_check, make_job, make_person, make_readings
from tests.fuzzing import Asked, Fuzz, Page, Walk
from tests.places import sqlite_place

TRIES = int(os.environ.get("FUZZ_TRIES", "0"))
SEED = int(os.environ.get("FUZZ_SEED", "88"))
FEW = 5
pytestmark = [pytest.mark.django_db, pytest.mark.once]


@pytest.fixture(autouse=True)
def quiet():
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


# --- archives ---


@pytest.fixture
def home(settings, tmp_path, monkeypatch):
    settings.DATA_DIR, settings.MEDIA_ROOT = tmp_path / "home", tmp_path / "home" / "media"
    settings.DATA_DIR.mkdir()
    # A snapshot cannot begin within a transaction, and nobody writes meanwhile.
    monkeypatch.setattr(rows, "snapshot", lambda source: nullcontext())
    person = make_person()
    job = make_job(by=person)
    photo_add(job=job, data=damaged.picture("JPEG"), by=person, key=3)
    make_readings(check=make_check(job=job, by=person), keys=range(1, 9), balance_mortise_width=5_550)
    return settings.DATA_DIR


@pytest.fixture
def archive(home):
    archive_make(home / "whole.zip", timezone.now())
    return home / "whole.zip"


def members(path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist() if name != "manifest.json"}


def taken_for_whole(archive, tries: int) -> Iterator[str]:
    """Hurt archives that were taken for whole though something else stands in them, or that no sentence answers. Half
    are hurt in their bytes, half in what stands in them."""
    whole, good, chance = archive.read_bytes(), members(archive), random.Random(SEED)
    other = archive.with_name("hurt.zip")
    for turn in range(tries):
        other.write_bytes((damaged.hurt if turn % 2 else damaged.repacked)(whole, chance))
        try:
            verify(other)
            # Bytes that say nothing, such as a time in the zip's own tables, may differ.
            if members(other) != good:
                yield f"{turn}: other contents"
        except Refused:
            continue
        except Exception as error:
            yield f"{turn}: {error!r}"


def test_no_damaged_archive_is_taken_for_a_whole_one(archive, monkeypatch):
    assert list(taken_for_whole(archive, TRIES or 4 * FEW)) == []
    # The control: without the sums it would be.
    monkeypatch.setattr(backups, "_hold_against", lambda *args: None)
    assert next(taken_for_whole(archive, 1000), None)


def summed(manifest, packed) -> None:
    """The sums of a forger: all are right."""
    for name, data in packed:
        manifest["members"][name] = {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
        if name.startswith("rows/"):
            told = rows.Tally()
            for line in data.decode(errors="replace").splitlines():
                told.add(line)
            manifest["tables"][name[5:-6]].update(rows=told.rows, sum=told.sum)


# Restores one after another, each into an emptied place; tells those that end in anything but a sentence.
_RESTORE = """
import json, pathlib, shutil, sys
from django.conf import settings
from django.db import connection
from shop.workflow.backups import restore
from shop.workflow.refusal import Refused
found, told, back = [], set(), 0
database, media = pathlib.Path(connection.settings_dict["NAME"]), pathlib.Path(settings.MEDIA_ROOT)
for path in sys.argv[1:]:
    why = []
    try:
        restore(pathlib.Path(path))
        back += 1
    except Refused as refusal:
        why = [str(refusal)[:90]]
        told.update(why)
    except Exception as error:
        found.append(f"{path}: {error!r}"[:400])
    if why and connection.introspection.table_names():
        found.append(f"{path}: refused, and there are tables")
    connection.close()
    for left in database.parent.glob(f"{database.name}*"):
        left.unlink()
    shutil.rmtree(media, ignore_errors=True)
print(json.dumps([back, found, sorted(told)]))
"""


@pytest.mark.skipif(not TRIES, reason="a second each: with FUZZ_TRIES; one of them is in test_backup.py")
@pytest.mark.parametrize("what", ["backup", "parcel"])
def test_what_a_forger_changed_comes_back_or_leaves_nothing(home, archive, tmp_path, what):
    source = archive if what == "backup" else parcel_make(home, parcel_of(None), by=None)
    whole, chance, paths = source.read_bytes(), random.Random(SEED), []
    for turn in range(max(TRIES // 100, 2)):
        paths.append(tmp_path / f"{turn}.zip")
        paths[-1].write_bytes(damaged.repacked(whole, chance, summed=summed))
    place = sqlite_place(tmp_path / "elsewhere")
    for at in range(0, len(paths), 3):
        some = [str(path) for path in (source, *paths[at : at + 3])]
        back, found, told = json.loads(place.script(_RESTORE, *some).splitlines()[-1])
        print(back - 1, "of", len(some) - 1, "came back;", told)
        assert back >= 1  # the whole one, which is the control
        assert found == []


# --- what the pages take ---


@pytest.fixture
def visitors():
    open_shop(name="Testing Key Works")
    found = {}
    for role in (Role.OWNER, Role.TECHNICIAN):
        found[role] = Client()
        found[role].force_login(make_person(role=role))
    return found


def prices(visitors):
    Operation.objects.filter(code="hour").update(title="An hour; at the bench")
    data = visitors["owner"].get(reverse("price_csv")).content
    Operation.objects.filter(code="hour").update(title="Another")
    return "owner", reverse("price_import"), "file", data, [("keep", "1")]


def readings(visitors):
    check = make_check(job=make_job(), kind=CheckKind.ARRIVAL)
    lines = [f"{key},balance_mortise_width,{5.5 + key / 1000:.3f},mm" for key in range(1, 30)]
    data = "\n".join(["key,quantity,value,unit", *lines]).encode()
    return "technician", reverse("check_csv_read", args=[check.job.number, check.pk]), "file", data, [("keep", "1")]


def old(visitors):
    make_check(job=(job := make_job()))
    lines = [f"{key};{5.5 + key / 1000:.3f};{3.7};a note" for key in range(1, 30)]
    data = "\r\n".join(["Key;Balance mortise width mm;Balance pin mm;Remarks", *lines]).encode("utf-16")
    more = [("read_on", "2019-06-30"), ("kind", CheckKind.VISIT), ("origin", "A tuner's sheet"), ("keep", "1")]
    return "technician", reverse("old_readings", args=[job.number]), "file", data, more


def logo(visitors):
    page = reverse("workshop_edit")
    forms = Page(page, visitors["owner"].get(page).content.decode()).forms
    form = next(one for one in forms if "logo_file" in {field.name for field in one.fields})
    fuzz = Fuzz(visitors, Walk(), [], seed=SEED)
    filled = [fuzz._plausible(one, form) for one in form.fields if one.kind != "file"]
    return "owner", page, "logo_file", damaged.picture("JPEG"), [pair for pair in filled if pair]


def send(fuzz: Fuzz, importer: tuple, data: bytes) -> None:
    who, address, name, _good, more = importer
    fuzz.send(Asked(who, "POST", address, sent=(*more, (name, SimpleUploadedFile("a.csv", data)))))


@pytest.mark.parametrize("of", [prices, readings, old, logo])
def test_a_damaged_file_is_answered_and_kept_as_the_page_says_or_not_at_all(visitors, of):
    importer = of(visitors)
    fuzz, chance = Fuzz(visitors, Walk(), [], seed=SEED), random.Random(SEED)
    send(fuzz, importer, importer[3])
    assert (fuzz.answers, fuzz.findings) == ({"POST 302": 1}, {})  # the control: the whole one is kept
    for _turn in range(TRIES or FEW):
        send(fuzz, importer, damaged.hurt(importer[3], chance))
    if TRIES:
        print(of.__name__, fuzz.answers)
    assert not fuzz.findings, fuzz.told()
    assert fuzz.answers["POST 200"] > (TRIES or FEW) / 20  # some were refused, or shown with what is wrong in them


@pytest.mark.parametrize("error", [ValueError, Refused])
def test_an_import_that_keeps_half_or_falls_is_found(visitors, monkeypatch, error):
    """The control."""

    def half(changes, *, by):
        Workshop.objects.update(name="half of it")
        raise error("not all of it")

    monkeypatch.setattr("shop.views.prices.prices_import", half)
    importer, fuzz = prices(visitors), Fuzz(visitors, Walk(), [], seed=SEED)
    send(fuzz, importer, importer[3])
    assert fuzz.findings
