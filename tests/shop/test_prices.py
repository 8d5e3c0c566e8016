"""The price list: what it comes to, who changes it, and that a file taken out goes back in unchanged."""

from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from shop.forms.prices import price_file, price_list_csv
from shop.models import Event, Operation, Role, Unit
from shop.workflow.opening import open_shop
from shop.workflow.prices import price_change
from tests.factories import make_person, make_workshop
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner(client):
    open_shop(name="Testing Key Works")
    person = make_person(role=Role.OWNER)
    client.force_login(person)
    return person


def fields(operation: Operation, **changes: str) -> dict[str, object]:
    names = ("code", "title", "unit", "minutes", "material", "material_price", "stage", "wait_hours", "position")
    return {**{name: getattr(operation, name) for name in names}, "cautions": operation.cautions, **changes}


def listed() -> list[tuple[Operation, Decimal]]:
    return [(operation, Decimal(0)) for operation in Operation.objects.all()]


def test_only_the_owner_opens_the_price_list(owner):
    one = Operation.objects.first().pk
    for name in ("price_list", "price_csv"):
        climb(name, roles={Role.OWNER})
    for name in ("price_add", "price_import"):
        climb(name, roles={Role.OWNER}, methods={"GET", "POST"})
    climb("price_edit", one, roles={Role.OWNER}, methods={"GET", "POST"})
    climb("price_retire", one, roles={Role.OWNER}, methods={"POST"})
    gone("price_edit", 4711)
    gone("price_retire", 4711, method="POST")


def test_the_list_shows_the_price_minutes_and_material_come_to(client, owner):
    make_workshop(hourly_rate=Decimal("66"))
    Operation.objects.filter(code="cloth").update(minutes=5, material_price=Decimal("0.25"))
    page = client.get(reverse("price_list")).content.decode()
    row = page.split("New bushing cloth, both rails")[1].split("</tr>")[0]
    assert "5.75" in row  # 5 min at 66 an hour is 5.50


def test_a_change_leaves_what_it_was_and_what_it_is(client, owner):
    operation = Operation.objects.get(code="cloth")
    address = reverse("price_edit", args=[operation.pk])
    assert client.post(address, fields(operation, minutes="4,5", code="other")).status_code == 302
    operation.refresh_from_db()
    assert (operation.minutes, operation.code) == (Decimal("4.50"), "cloth")
    event = Event.objects.get(what="price_changed")
    assert (event.by, event.details) == (owner, {"code": "cloth", "changes": [["minutes", "4", "4.5"]]})
    client.post(address, fields(operation))
    assert Event.objects.filter(what="price_changed").count() == 1  # nothing changed, nothing happened


def test_work_is_added_and_taken_off_and_put_back(client, owner):
    data = {
        "code": "gilding", "title": "Gild the rail", "unit": "set", "minutes": "30", "material": "leaf",
        "material_price": "12.5", "stage": "other", "wait_hours": "0", "position": "200",
    }  # fmt: skip
    assert client.post(reverse("price_add"), data).status_code == 302
    row = Operation.objects.get(code="gilding")
    assert client.post(reverse("price_add"), data).status_code == 200  # the code is taken
    for retired in (True, False):
        client.post(reverse("price_retire", args=[row.pk]))
        row.refresh_from_db()
        assert (row.retired_at is not None) is retired
    assert Event.objects.filter(what="price_changed").count() == 3


@pytest.mark.parametrize(
    "bad",
    [
        {"minutes": "-1"}, {"minutes": "NaN"}, {"minutes": "1e5"}, {"minutes": "٤"}, {"minutes": "4\x00"},
        {"material_price": "99999999999"}, {"title": ""}, {"title": "x" * 200}, {"unit": "mile"},
        {"stage": "nowhere"}, {"wait_hours": "-2"}, {"wait_hours": "99999"}, {"position": "999999"},
        {"cautions": "tigers"},
    ],
)  # fmt: skip
def test_a_bad_field_is_told_and_nothing_is_kept(client, owner, bad):
    operation = Operation.objects.get(code="cloth")
    answer = client.post(reverse("price_edit", args=[operation.pk]), fields(operation, **bad))
    assert answer.status_code == 200
    assert 'class="error"' in answer.content.decode()
    assert not Event.objects.filter(what="price_changed").exists()


def test_the_list_asks_as_often_for_many_rows(client, owner, django_assert_num_queries):
    client.get(reverse("price_list"))
    with django_assert_num_queries(5):
        client.get(reverse("price_list"))
    for number in range(40):
        Operation.objects.create(code=f"more{number}", title="More", stage="other")
    with django_assert_num_queries(5):
        client.get(reverse("price_list"))


# --- the file ------------------------------------------------------------------------------------


def test_what_is_taken_out_changes_nothing_when_it_is_put_in(client, owner):
    text = client.get(reverse("price_csv")).content.decode()
    found = price_file(text.removeprefix("\ufeff"))
    assert {row.state for row in found.rows} == {"same"}
    assert len(found.rows) == Operation.objects.count()


@given(
    title=st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp")), min_size=1, max_size=60),
    minutes=st.decimals(min_value=0, max_value=9999, places=2),
    material=st.decimals(min_value=0, max_value=9999, places=3),
    unit=st.sampled_from(Unit.values),
)
@hypothesis_settings(max_examples=40, deadline=None)
def test_any_operation_comes_back_as_it_was(title, minutes, material, unit):
    title = title.strip() or "x"
    row = Operation(code="one", title=title, minutes=minutes, material_price=material, unit=unit, stage="cloth")
    found = price_file(price_list_csv([(row, Decimal(1))])).rows[0]
    assert found.errors == ()
    back = found.values
    assert (back["title"], back["minutes"], back["material_price"], back["unit"]) == (title, minutes, material, unit)


def test_a_spreadsheet_runs_no_formula_of_ours():
    none = Decimal(0)
    row = Operation(code="one", title="=HYPERLINK(0)", material="+1", stage="cloth", minutes=none, material_price=none)
    text = price_list_csv([(row, Decimal(1))])
    assert "'=HYPERLINK" in text
    assert ",'+1," in text


def upload(text: str | bytes) -> SimpleUploadedFile:
    return SimpleUploadedFile("prices.csv", text.encode() if isinstance(text, str) else text)


def test_a_file_is_looked_at_before_it_is_kept(client, owner):
    text = (
        "code;title;unit;minutes;material_price;stage\n"
        "cloth;New bushing cloth, both rails;key;4,5;0.25;cloth\n"
        "varnish;Varnish;set;20;1;other\n"
    )
    seen = client.post(reverse("price_import"), {"file": upload(text)}).content.decode()
    assert "minutes: 4 → <b>4.5</b>" in seen
    assert "Keep 2 lines" in seen
    assert Operation.objects.get(code="cloth").minutes == 4
    kept = client.post(reverse("price_import"), {"text": text, "keep": "1"})
    assert kept.status_code == 302
    assert Operation.objects.get(code="cloth").minutes == Decimal("4.50")
    assert Operation.objects.get(code="varnish").stage == "other"
    assert Operation.objects.get(code="strip").retired_at is None  # what the file does not name stays
    assert Event.objects.filter(what="price_changed").count() == 2


def test_one_wrong_line_keeps_the_whole_file_out(client, owner):
    text = (
        "code,title,unit,minutes,material_price,stage,retired\n"
        "cloth,Cloth,key,5,0.25,cloth,\n"
        "cloth,Cloth,key,5,0.25,cloth,\n"
        "Bad Code,Bad,mile,x,NaN,nowhere,perhaps\n"
    )
    seen = client.post(reverse("price_import"), {"text": text, "keep": "1"}).content.decode()
    assert "stands in the file twice" in seen
    for name in ("code:", "unit:", "minutes:", "material_price:", "stage:", "retired:"):
        assert name in seen
    assert Operation.objects.get(code="cloth").title != "Cloth"


@pytest.mark.parametrize(
    ("contents", "says"),
    [
        (b"", "empty"),
        (b"\x00\x01\x02", "not a text file"),
        (b"\x81\x8d\xff" * 10, "not a text file"),
        ("code,title\nx,y\n", "missing: unit"),
        ("code,title,unit,minutes,material_price,stage\n", "no line of work"),
        ('code,title,unit,minutes,material_price,stage\n"', "cannot be read as CSV"),
        ("code,title,unit,minutes,material_price,stage\n" + "a,b,key,1,0,cloth\n" * 1100, "more than 1000"),
        (b"x" * (600 * 1024), "too large"),
    ],
)
def test_a_file_that_is_no_price_list_is_told(client, owner, contents, says):
    page = client.post(reverse("price_import"), {"file": upload(contents)}).content.decode()
    assert says in page
    assert not Event.objects.filter(what="price_changed").exists()


def test_a_file_from_an_older_spreadsheet_is_read(client, owner):
    text = "code,title,unit,minutes,material_price,stage\nfelt,Käse für Tasten,set,1,0,other\n"
    page = client.post(reverse("price_import"), {"file": upload(text.encode("cp1252"))}).content.decode()
    assert "Käse für Tasten" in page


def test_an_import_is_all_or_none(owner):
    from django.core.exceptions import ValidationError

    from shop.workflow.prices import prices_import

    with pytest.raises(ValidationError):
        prices_import({"cloth": {"minutes": Decimal(7)}, "strip": {"title": ""}}, by=owner)
    assert Operation.objects.get(code="cloth").minutes == 4


def test_nothing_changed_leaves_no_event(owner):
    price_change("cloth", {"minutes": Decimal("4.00")}, by=owner)
    assert not Event.objects.filter(what="price_changed").exists()
