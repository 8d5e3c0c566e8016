"""The workshop's settings."""

import io
from decimal import Decimal

import pytest
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image
from pypdf import PdfReader

from shop.documents.pdf import make_pdf
from shop.forms.workshop import LARGEST_LOGO, LOGO_SIZE
from shop.models import Event, Role, Workshop
from tests.factories import make_person, make_workshop
from tests.ladder import climb

pytestmark = [pytest.mark.django_db, pytest.mark.once]

HOURS = {f"hours_{day}": hours for day, hours in enumerate(("6", "6", "6", "6", "4,5", "0", "0"))}


@pytest.fixture
def owner(client):
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


def fields(**changed) -> dict:
    return {
        "name": "Testing Key Works",
        "currency": "EUR",
        "paper": "A4",
        "hourly_rate": "60",
        "tax_name": "Tax",
        "tax_rate": "20",
        "deposit_rate": "30",
        "estimate_days": "30",
        "reminder_days": "7",
        "bill_days": "14",
        "trade_discount": "0",
        "guarantee_months": "60",
        "benches": "1",
        **HOURS,
        **changed,
    }


@pytest.mark.once
def test_only_the_owner_sets_the_workshop():
    climb("workshop_edit", roles={Role.OWNER}, methods={"GET", "POST"})


def test_the_settings_are_kept(client, owner):
    make_workshop()
    answer = client.post(
        reverse("workshop_edit"),
        fields(
            address="4 Tannery Row",
            currency="usd",
            paper="Letter",
            hourly_rate="1 072,50",
            holiday_list="2026-12-25\n2026-12-24\n2026-12-24",
            receipt_terms="Bring this receipt.",
        ),
    )
    assert answer.status_code == 302
    row = Workshop.ours()
    assert (row.address, row.currency, row.paper) == ("4 Tannery Row", "USD", "Letter")
    assert row.hourly_rate == Decimal("1072.50")
    assert row.hours == [6, 6, 6, 6, 4.5, 0, 0]
    assert row.holidays == ["2026-12-24", "2026-12-25"]
    assert "address" in Event.objects.get(what="workshop_changed", by=owner).details["fields"]


@pytest.mark.parametrize(
    ("changed", "wrong"),
    [
        ({"name": ""}, {"name"}),
        ({"name": "x" * 10_000}, {"name"}),
        ({"currency": "EU"}, {"currency"}),
        ({"currency": "€€€"}, {"currency"}),
        ({"currency": "12A"}, {"currency"}),
        ({"paper": "A3"}, {"paper"}),
        ({"hourly_rate": "-1"}, {"hourly_rate"}),
        ({"hourly_rate": "NaN"}, {"hourly_rate"}),
        ({"hourly_rate": "1" * 30}, {"hourly_rate"}),
        ({"tax_rate": "101"}, {"tax_rate"}),
        ({"deposit_rate": "-1"}, {"deposit_rate"}),
        ({"estimate_days": str(10**30)}, {"estimate_days"}),
        ({"reminder_days": "0"}, {"reminder_days"}),
        ({"reminder_days": "400"}, {"reminder_days"}),
        ({"trade_discount": "100"}, {"trade_discount"}),
        ({"trade_discount": "-1"}, {"trade_discount"}),
        ({"benches": "0"}, {"benches"}),
        ({"benches": "101"}, {"benches"}),
        ({"hours_0": "25"}, {"hours_0"}),
        ({"hours_3": "-1"}, {"hours_3"}),
        ({f"hours_{day}": "0" for day in range(7)}, {"hours_0"}),
        ({"holiday_list": "Christmas"}, {"holiday_list"}),
        ({"holiday_list": "2026-02-30"}, {"holiday_list"}),
        ({"holiday_list": "٢٠٢٦-١٢-٢٤"}, {"holiday_list"}),
        ({"terms": "x\x00"}, {"terms"}),
        ({"terms": "x" * 4001}, {"terms"}),
        ({"email": "nobody"}, {"email"}),
    ],
)
def test_what_cannot_be_right_is_said_beside_the_field(client, owner, changed, wrong):
    make_workshop()
    page = client.post(reverse("workshop_edit"), fields(care="Keep it dry.", **changed))
    assert set(page.context["form"].errors) == wrong
    assert "Keep it dry." in page.content.decode()
    row = Workshop.ours()
    assert (row.care, row.hours, row.holidays) == ("", [6, 6, 6, 6, 4, 0, 0], [])
    assert not Event.objects.filter(what="workshop_changed").exists()


# --- the logo ------------------------------------------------------------------------------------


def picture(kind: str = "PNG", size: tuple[int, int] = (300, 100), **saved) -> SimpleUploadedFile:
    out = io.BytesIO()
    Image.new("RGB", size, "#1f5a44").save(out, kind, **saved)
    return SimpleUploadedFile(f"logo.{kind.lower()}", out.getvalue())


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_a_logo_is_written_anew_and_stands_on_paper(client, owner, kind):
    make_workshop()
    exif = Image.Exif()
    exif[0x010E] = "where I live"
    upload = picture(kind, (3000, 1000), exif=exif.tobytes())
    assert client.post(reverse("workshop_edit"), fields(logo_file=upload)).status_code == 302
    row = Workshop.ours()
    kept = Image.open(row.logo)
    assert kept.format == "PNG"
    assert kept.size == (LOGO_SIZE[0], LOGO_SIZE[0] // 3)
    with row.logo.open("rb") as file:
        assert b"where I live" not in file.read()
    assert client.get(reverse("workshop_logo"))["Content-Type"] == "image/png"
    page = PdfReader(io.BytesIO(make_pdf("documents/page.html", {}))).pages[0]
    assert len(page.images) == 1
    assert "logo_file" in Event.objects.get(what="workshop_changed").details["fields"]


def test_a_logo_is_changed_and_taken_off_and_leaves_no_file(client, owner, django_capture_on_commit_callbacks):
    make_workshop()
    names = []
    for upload in ({"logo_file": picture()}, {"logo_file": picture(size=(50, 50))}, {"logo_off": "on"}):
        with django_capture_on_commit_callbacks(execute=True):
            client.post(reverse("workshop_edit"), fields(**upload))
        names.append(Workshop.ours().logo.name)
    assert names[2] == ""
    assert not any(default_storage.exists(name) for name in names[:2])
    assert client.get(reverse("workshop_logo")).status_code == 404
    assert b"media:" not in client.get(reverse("workshop_edit")).content


@pytest.mark.parametrize(
    ("contents", "says"),
    [
        (b'<svg xmlns="http://www.w3.org/2000/svg"><script>1</script></svg>', "no picture that can be read"),
        (b"GIF89a\x01\x00\x01\x00", "no picture that can be read"),
        (b"\x89PNG\r\n\x1a\n" + b"\x00" * 40, "no picture that can be read"),
        (picture("JPEG").read()[:700], "no picture that can be read"),
        (picture(size=(6000, 4000)).read(), "too many pixels"),
        (b"\x89PNG" + b"\x00" * LARGEST_LOGO, "too large"),
    ],
    ids=["svg", "gif", "broken", "cut off", "pixels", "bytes"],
)
def test_what_is_no_logo_is_refused_with_a_sentence(client, owner, contents, says):
    make_workshop()
    answer = client.post(reverse("workshop_edit"), fields(logo_file=SimpleUploadedFile("logo.png", contents)))
    assert says in str(answer.context["form"].errors["logo_file"])
    assert not Workshop.ours().logo


@pytest.mark.once
def test_only_the_owner_looks_at_the_logo(client, owner):
    client.post(reverse("workshop_edit"), fields(logo_file=picture()))
    climb("workshop_logo", roles={Role.OWNER})
