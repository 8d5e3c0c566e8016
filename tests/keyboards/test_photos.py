"""Photos are kept once, with the right set and key, and shown to nobody outside the shop."""

import io
import uuid
from pathlib import Path

import pytest
from PIL import Image

from keyboards.models import Photo
from keyboards.workflow.photos import photo_add
from shop.models import Event
from shop.workflow.refusal import Refused
from tests.factories import make_check, make_job, make_person

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
