"""Several computers, one truth: photos and papers in an object store, held against a server of its protocol that others
wrote (moto, see store.py)."""

import io
import logging
import os
import shutil
import socket
import zipfile

import pytest
from django.core.exceptions import ImproperlyConfigured
from django.core.files.base import File
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from PIL import Image
from pypdf import PdfReader

from keyboards.models import Photo
from keyboards.workflow import photos
from shop import bucket
from shop.bucket import Bucket
from shop.documents.pdf import PaperError, render_pdf
from shop.files import kept_in
from shop.models import Estimate, Event, Role
from shop.workflow import backups
from shop.workflow.backups import back_up, state
from shop.workflow.refusal import Refused
from tests.factories import make_job, make_person, make_sent
from tests.keyboards.test_photos import jpeg
from tests.places import sqlite_place
from tests.shop.test_pdf import picture
from tests.store import Store, ThreadedMotoServer

NONE = {"bucket": "", "endpoint": "", "region": "us-east-1", "key": "", "secret": ""}
pytestmark = [pytest.mark.django_db, pytest.mark.once]


@pytest.fixture(scope="module")
def store_server():
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    yield server
    server.stop()


@pytest.fixture
def store(store_server, monkeypatch):
    monkeypatch.setattr(bucket, "_rests_until", 0.0)
    monkeypatch.setattr(bucket, "REST", 0)
    host, port = store_server.get_host_and_port()
    return Store(store_server, f"http://{host}:{port}")


@pytest.fixture
def in_store(store, settings, tmp_path):
    """This process keeps its files in the store; the folder it would otherwise use is watched by the test."""
    settings.MEDIA_ROOT = tmp_path / "media"
    settings.STORAGES = {**settings.STORAGES, "default": store.options}
    return store


def visitor(**person) -> Client:
    who = Client(raise_request_exception=False)
    who.force_login(make_person(**person))
    return who


def send(who: Client, job, data: bytes, **more):
    picture = SimpleUploadedFile("a.jpg", data, "image/jpeg")
    return who.post(reverse("photo_add", args=[job.number]), {"photos": picture, **more})


@pytest.mark.parametrize(
    ("told", "named"),
    [
        ({"endpoint": "https://store.example"}, "S3_BUCKET"),
        ({"key": "k"}, "S3_BUCKET"),
        ({"bucket": "b", "secret": "s"}, "S3_KEY"),
        ({"bucket": "b", "key": "k"}, "S3_SECRET"),
        ({"bucket": "b", "key": "k", "secret": "s", "endpoint": "store.example"}, "S3_ENDPOINT"),
    ],
)
def test_a_store_named_by_half_stops_the_program(told, named):
    with pytest.raises(ImproperlyConfigured, match=named):
        kept_in(**{**NONE, **told})


def test_photos_and_papers_lie_in_the_store_alone_and_come_back_through_our_own_pages(in_store, quick_paper, tmp_path):
    who, job = visitor(), make_job()
    assert send(who, job, jpeg(size=(3200, 2400)), key="").status_code == 302
    estimate = make_sent(job=job)
    photo, paper = Photo.objects.get(), Estimate.objects.get(pk=estimate.pk).sent_pdf
    assert in_store.names() >= {photo.image.name, photo.small.name, paper.name}
    assert not (tmp_path / "media").exists()

    shown = who.get(reverse("photo_show", args=[photo.op]))
    assert Image.open(io.BytesIO(shown.content)).size == (1600, 1200)  # made small once, when it came
    assert Image.open(io.BytesIO(who.get(reverse("photo_small", args=[photo.op])).content)).size == (400, 300)
    page = who.get(reverse("job_detail", args=[job.number])).content.decode()
    assert reverse("photo_small", args=[photo.op]) in page
    assert in_store.endpoint not in page
    assert in_store.bucket not in page
    assert Client().get(reverse("photo_show", args=[photo.op])).status_code == 302  # to the sign-in
    paper_page = visitor(role=Role.OWNER).get(reverse("estimate_pdf", args=[estimate.number]))
    with paper.open("rb") as kept:
        assert paper_page.content == kept.read()
    in_store.client.delete_object(Bucket=in_store.bucket, Key=photo.image.name)
    assert who.get(reverse("photo_show", args=[photo.op])).status_code == 404


def test_a_paper_draws_photos_from_the_store_and_stops_where_one_is_missing(in_store):
    photo = photos.photo_add(job=make_job(), data=jpeg(), by=make_person())
    paper = PdfReader(io.BytesIO(render_pdf(picture(f"media:{photo.image.name}"))))
    assert len(paper.pages[0].images) == 1
    for address in ("media:missing.jpg", f"media:../{in_store.bucket}/{photo.image.name}"):
        with pytest.raises(PaperError):
            render_pdf(picture(address))


def test_what_is_kept_is_never_written_over(in_store):
    first, second = (Bucket(**in_store.options["OPTIONS"]).save("bills/1.pdf", io.BytesIO(b)) for b in (b"1", b"2"))
    assert first != second
    assert in_store.client.get_object(Bucket=in_store.bucket, Key=first)["Body"].read() == b"1"


def test_of_two_who_send_one_photo_at_once_the_later_takes_nothing_away(in_store, monkeypatch):
    """A store does not say which of two writers of one name came first: both get it."""
    job, by, op = make_job(), make_person(), "6f0f1b9e-6a58-4c39-9c1e-3f6f5a2b7d10"
    reencode = photos.reencode

    def meanwhile(data):
        monkeypatch.setattr(photos, "reencode", reencode)
        photos.photo_add(job=job, data=data, by=by, op=op)
        return reencode(data)

    monkeypatch.setattr(photos, "reencode", meanwhile)
    monkeypatch.setattr(Bucket, "exists", lambda *args: False)
    photo = photos.photo_add(job=job, data=jpeg(), by=by, op=op)
    assert Photo.objects.count() == 1
    assert in_store.names() == {photo.image.name, photo.small.name}


def test_a_store_that_is_away_is_told_in_a_sentence_and_nothing_is_half_kept(in_store, settings, monkeypatch):
    who, owner, job = visitor(), visitor(role=Role.OWNER), make_job()
    assert send(who, job, jpeg()).status_code == 302  # the control: the same photo is kept while it is there
    photo, events, there = Photo.objects.get(), Event.objects.count(), in_store.names()
    with socket.socket() as nobody:  # a port where nobody answers
        nobody.bind(("127.0.0.1", 0))
        away = {**in_store.options["OPTIONS"], "endpoint_url": f"http://127.0.0.1:{nobody.getsockname()[1]}"}
        settings.STORAGES = {**settings.STORAGES, "default": {**in_store.options, "OPTIONS": away}}
        for answer in (send(who, job, jpeg("red")), who.get(reverse("photo_show", args=[photo.op]))):
            assert answer.status_code == 503
            assert "store of photos and papers does not answer" in answer.content.decode()
        assert (who.get(reverse("job_detail", args=[job.number])).status_code, Photo.objects.count()) == (200, 1)
        told = owner.get(reverse("health"))
        assert (told.status_code, told.json()["files"], told.json()["ok"]) == (200, False, False)
        assert "cannot be kept" in owner.get(reverse("program")).content.decode()
        # The next click does not wait for it: a page of photos must not hold every process up.
        monkeypatch.setattr(bucket, "REST", 60)
        who.get(reverse("photo_show", args=[photo.op]))
        monkeypatch.setattr(Bucket, "connection", None)
        assert who.get(reverse("photo_show", args=[photo.op])).status_code == 503
        monkeypatch.undo()
    settings.STORAGES = {**settings.STORAGES, "default": in_store.options}
    assert (Event.objects.count(), in_store.names()) == (events, there)


def test_a_store_that_lets_nobody_in_says_which_settings_to_look_at(in_store, caplog):
    who, job = visitor(), make_job()
    in_store.client.delete_bucket(Bucket=in_store.bucket)
    with caplog.at_level(logging.ERROR):
        answer = send(who, job, jpeg())
    assert answer.status_code == 503
    assert "refuses the program. Tell the owner: see S3_BUCKET and S3_KEY" in answer.content.decode()
    assert "a secret of no worth" not in caplog.text + answer.content.decode()
    assert not Photo.objects.exists()


def copy(way: str) -> str:
    """What the command says last, good or bad."""
    out = io.StringIO()
    try:
        call_command("copy_files", f"--to-{way}", stdout=out, stderr=out)
    except CommandError as error:
        return str(error)
    return out.getvalue().splitlines()[-1]


def test_a_folder_is_copied_into_the_store_and_back_and_nothing_is_written_over(in_store, tmp_path, monkeypatch):
    files = {"photos/1/a é.jpg": jpeg(), "bills/1.pdf": b"%PDF", "logo/1.png": b""}
    there = tmp_path / "media"
    for name, data in files.items():
        (there / name).parent.mkdir(parents=True, exist_ok=True)
        (there / name).write_bytes(data)

    def in_folder() -> dict[str, bytes]:
        return {path.relative_to(there).as_posix(): path.read_bytes() for path in there.rglob("*") if path.is_file()}

    save = Bucket._save
    # What arrives damaged is found, and is not kept.
    with monkeypatch.context() as patch:
        patch.setattr(
            Bucket, "_save", lambda self, name, content: save(self, name, File(io.BytesIO(content.read()[:-1])))
        )
        assert copy("store") == "1 copied and read back, 0 there already and the same, 2 failed"
    assert in_store.names() == {"logo/1.png"}
    assert copy("store") == "2 copied and read back, 1 there already and the same, 0 failed"
    assert copy("store") == "0 copied and read back, 3 there already and the same, 0 failed"
    assert in_store.names() == set(files)
    assert in_folder() == files
    in_store.client.put_object(Bucket=in_store.bucket, Key="bills/1.pdf", Body=b"%PDf")
    assert copy("store").endswith("2 there already and the same, 1 failed")
    assert in_store.client.get_object(Bucket=in_store.bucket, Key="bills/1.pdf")["Body"].read() == b"%PDf"

    shutil.rmtree(there)
    in_store.client.put_object(Bucket=in_store.bucket, Key="../../out.txt", Body=b"out")
    assert copy("folder").endswith("3 copied and read back, 0 there already and the same, 1 failed")
    assert in_folder() == {**files, "bills/1.pdf": b"%PDf"}
    assert not list(tmp_path.parent.rglob("out.txt"))
    (there / "bills" / "1.pdf").unlink()
    (there / "bills" / "1.pdf").symlink_to("/etc/hostname")
    assert copy("store").endswith("2 there already and the same, 1 failed")


def test_without_a_store_there_is_nowhere_to_copy_to():
    assert "No store is named" in copy("store")


@pytest.mark.django_db(transaction=True)
def test_a_backup_holds_what_lies_in_the_store_and_brings_it_into_another(in_store, settings, tmp_path):
    """The rows' way back has its own tests; LONG=1 goes the whole way here too."""
    settings.DATA_DIR, settings.BACKUP_DIR = tmp_path / "home", tmp_path / "home" / "backups"
    settings.DATA_DIR.mkdir()
    photo = photos.photo_add(job=make_job(), data=jpeg(), by=make_person())
    archive = back_up()
    assert (state().file_count, state().absent) == (2, 0)
    other = Store(in_store.server, in_store.endpoint)
    if os.environ.get("LONG"):
        place = sqlite_place(tmp_path / "elsewhere")
        place.env.update(other.env)
        place.manage("restore", str(archive))
        assert not (place.folder / "media").exists()
    else:
        settings.STORAGES = {**settings.STORAGES, "default": other.options}
        with zipfile.ZipFile(archive) as opened:
            backups._media_back(opened, backups.verify(archive))
    assert other.names() == in_store.names() == {photo.image.name, photo.small.name}
    for name in other.names():
        kept = [one.client.get_object(Bucket=one.bucket, Key=name)["Body"].read() for one in (other, in_store)]
        assert kept[0] == kept[1]


@pytest.mark.django_db(transaction=True)
def test_no_backup_is_called_good_while_the_store_is_away(in_store, settings, tmp_path):
    settings.DATA_DIR = tmp_path
    in_store.client.delete_bucket(Bucket=in_store.bucket)
    with pytest.raises(Refused, match="refuses the program"):
        back_up(tmp_path / "kept")
    assert state().failed_at
    assert list((tmp_path / "kept").iterdir()) == []
