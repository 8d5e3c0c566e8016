"""Photos are kept once, with the right set and key, and shown to nobody outside the shop."""

import io
import uuid
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from keyboards.models import Photo
from keyboards.workflow.photos import photo_add
from shop.models import Event, Role
from shop.workflow.refusal import Refused
from tests.factories import make_check, make_job, make_person
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


def jpeg(colour: str = "tan", size: tuple[int, int] = (800, 600)) -> bytes:
    written = io.BytesIO()
    Image.new("RGB", size, colour).save(written, "JPEG")
    return written.getvalue()


def size_of(path: str) -> tuple[int, int]:
    with Image.open(path) as picture:
        return picture.size


def files(settings) -> list[Path]:
    return sorted((Path(settings.MEDIA_ROOT) / "photos").rglob("*"))


def test_a_photo_is_kept_in_two_sizes_with_who_and_where():
    job, person = make_job(), make_person()
    check = make_check(job=job)
    photo = photo_add(job=job, data=jpeg(size=(3200, 2400)), by=person, key=41, check=check, caption=" before ")
    kept = Photo.objects.get()
    assert (kept.op, kept.key, kept.caption, kept.by, kept.check_done) == (photo.op, 41, "before", person, check)
    assert (kept.width, kept.height) == (1600, 1200)
    assert size_of(kept.image.path) == (1600, 1200)
    assert size_of(kept.small.path) == (400, 300)
    event = Event.objects.get(what="photo_added")
    assert (event.job, event.by, event.details) == (job, person, {"photo": str(photo.op), "key": 41})


def test_the_same_op_with_the_same_photo_is_the_same_photo():
    job, person, op = make_job(), make_person(), uuid.uuid4()
    first = photo_add(job=job, data=jpeg(), by=person, op=op)
    assert photo_add(job=job, data=jpeg(), by=person, op=op).pk == first.pk
    assert Photo.objects.count() == 1
    assert Event.objects.filter(what="photo_added").count() == 1


def test_the_same_op_with_another_photo_or_set_is_refused():
    job, person, op = make_job(), make_person(), uuid.uuid4()
    photo_add(job=job, data=jpeg(), by=person, op=op)
    with pytest.raises(Refused, match="another photo"):
        photo_add(job=job, data=jpeg("navy"), by=person, op=op)
    with pytest.raises(Refused, match="another photo"):
        photo_add(job=make_job(), data=jpeg(), by=person, op=op)
    assert Photo.objects.count() == 1


def test_two_that_send_the_same_photo_at_once_keep_one(monkeypatch):
    job, person, op = make_job(), make_person(), uuid.uuid4()
    first = photo_add(job=job, data=jpeg(), by=person, op=op)
    folder = Path(first.image.path).parent
    before = sorted(folder.iterdir())
    # the second looked before the first had written
    monkeypatch.setattr(Photo.objects, "filter", lambda **lookup: Photo.objects.none())
    assert photo_add(job=job, data=jpeg(), by=person, op=op).pk == first.pk
    assert Photo.objects.count() == 1
    assert sorted(folder.iterdir()) == before


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"data": b"no photo"}, "no photo we can read"),
        ({"key": 0}, "no key 0"),
        ({"key": 89}, "no key 89"),
        ({"caption": "x" * 121}, "at most 120"),
        ({"caption": "a\0b"}, "plain text"),
    ],
)
def test_what_does_not_fit_is_refused_and_leaves_nothing(change, sentence, settings):
    job, person = make_job(), make_person()
    before = files(settings)
    with pytest.raises(Refused, match=sentence):
        photo_add(**{"job": job, "data": jpeg(), "by": person, **change})
    assert not Photo.objects.exists()
    assert files(settings) == before


def test_a_check_of_another_set_is_refused():
    with pytest.raises(Refused, match="another set"):
        photo_add(job=make_job(), data=jpeg(), by=make_person(), check=make_check())


# --- shown ---


def test_a_photo_is_shown_to_the_shop_and_to_nobody_else(client):
    photo = photo_add(job=make_job(), data=jpeg(), by=make_person())
    for name in ("photo_show", "photo_small"):
        climb(name, photo.op)
        gone(name, uuid.uuid4())
    client.force_login(make_person(role=Role.DESK))
    for name, width in (("photo_show", 800), ("photo_small", 400)):
        answer = client.get(reverse(name, args=[photo.op]))
        assert Image.open(io.BytesIO(answer.content)).size[0] == width
        assert answer["Content-Type"] == "image/jpeg"
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert answer["Cache-Control"].startswith("private")


def test_a_photo_whose_file_is_gone_is_not_there(client):
    photo = photo_add(job=make_job(), data=jpeg(), by=make_person())
    Path(photo.image.path).unlink()
    client.force_login(make_person())
    assert client.get(reverse("photo_show", args=[photo.op])).status_code == 404


def test_no_photo_is_served_by_its_path(client):
    photo = photo_add(job=make_job(), data=jpeg(), by=make_person())
    client.force_login(make_person())
    assert client.get(f"/media/{photo.image.name}").status_code == 404
    assert client.get("/photos/../../secret_key.jpg").status_code == 404


# --- sent by a tablet ---


def sent(client, check, **fields):
    data = {
        "op": str(uuid.uuid4()),
        "key": "41",
        "taken_at": "2026-03-04T10:15:00Z",
        "photo": SimpleUploadedFile("x.jpg", jpeg(), content_type="image/jpeg"),
        **fields,
    }
    data = {name: value for name, value in data.items() if value is not None}
    return client.post(reverse("photo_send", args=[check.pk]), data)


@pytest.fixture
def technician(client):
    person = make_person()
    client.force_login(person)
    return person


def test_a_tablet_sends_a_photo_and_sends_it_again_after_a_lost_answer(client, technician):
    check, op = make_check(), str(uuid.uuid4())
    for _attempt in range(2):
        answer = sent(client, check, op=op, caption="crack")
        assert (answer.status_code, answer.json()["kept"]) == (200, [op])
    photo = Photo.objects.get()
    assert (str(photo.op), photo.key, photo.check_done, photo.caption) == (op, 41, check, "crack")
    assert photo.taken_at.isoformat() == "2026-03-04T10:15:00+00:00"


def test_a_tablet_sends_a_photo_of_the_whole_set(client, technician):
    assert sent(client, make_check(), key=None).json()["refused"] == []
    assert Photo.objects.get().key is None


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"op": "x"}, "no proper number"),
        ({"op": None}, "no proper number"),
        ({"key": "89"}, "no key 89"),
        ({"key": "-1"}, "whole number"),
        ({"key": "٤١"}, "whole number"),
        ({"key": "9" * 5000}, "whole number"),
        ({"taken_at": "yesterday"}, "not said when"),
        ({"taken_at": None}, "not said when"),
        ({"caption": "x" * 121}, "at most 120"),
        ({"photo": SimpleUploadedFile("x.jpg", b"<script>")}, "no photo we can read"),
    ],
)
def test_a_photo_that_cannot_be_kept_is_refused_with_a_sentence(client, technician, fields, why):
    answer = sent(client, make_check(), **fields)
    assert answer.status_code == 200
    assert why in answer.json()["refused"][0]["why"]
    assert not Photo.objects.exists()


def test_without_a_photo_in_it_it_is_no_photo(client, technician):
    answer = sent(client, make_check(), photo=None)
    assert answer.status_code == 400
    assert answer.json()["error"] == "There is no photo in it."


def test_a_tablet_is_told_in_json_what_stands_in_the_way(client, technician):
    assert sent(client, make_check(closed=True)).status_code == 409
    client.logout()
    answer = sent(client, make_check())
    assert (answer.status_code, answer.json()) == (401, {"error": "signed out"})
    client.force_login(make_person(role=Role.DESK))
    assert sent(client, make_check()).status_code == 403
    client.force_login(technician)
    assert client.get(reverse("photo_send", args=[make_check().pk])).status_code == 405
    assert client.post(reverse("photo_send", args=[999])).status_code == 404
