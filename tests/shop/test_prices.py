"""The price list: what it comes to, who changes it, and that a file taken out goes back in unchanged."""

import datetime
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from shop.forms.prices import price_file, price_list_csv
from shop.models import Event, Operation, Price, Role, TaxClass, Unit
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


def today(code: str) -> Operation:
    """The operation with the price that holds today."""
    return next(row for row in Operation.objects.as_of(timezone.localdate()) if row.code == code)


def day(days: int) -> datetime.date:
    return timezone.localdate() + datetime.timedelta(days=days)


def listed() -> list[tuple[Operation, Decimal]]:
    return [(operation, Decimal(0)) for operation in Operation.objects.all()]


@pytest.mark.once
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
    assert (today("cloth").minutes, today("cloth").code) == (Decimal("4.50"), "cloth")
    event = Event.objects.get(what="price_changed")
    assert (event.by, event.details) == (owner, {"code": "cloth", "changes": [["minutes", "4", "4.5"]]})
    client.post(address, fields(operation, minutes="4.5"))
    assert Event.objects.filter(what="price_changed").count() == 1  # nothing changed, nothing happened


def test_work_is_added_and_taken_off_and_put_back(client, owner):
    data = {
        "code": "gilding", "title": "Gild the rail", "unit": "set", "minutes": "30", "material": "leaf",
        "material_price": "12.5", "stage": "other", "wait_hours": "0", "position": "200", "proves": ["level", "drop"],
    }  # fmt: skip
    assert client.post(reverse("price_add"), data).status_code == 302
    row = Operation.objects.get(code="gilding")
    assert row.proves == ["level", "drop"]
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
        {"cautions": "tigers"}, {"proves": "wings"},
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
    with django_assert_num_queries(6):
        client.get(reverse("price_list"))
    for number in range(40):
        row = Operation.objects.create(code=f"more{number}", title="More", stage="other")
        Price.objects.create(operation=row, starts_on=day(number - 20), minutes=1, material_price=0)
    with django_assert_num_queries(6):
        client.get(reverse("price_list"))


# --- prices over time ----------------------------------------------------------------------------


def test_a_new_price_holds_from_its_day_and_the_old_one_stays_in_the_history(client, owner):
    operation = Operation.objects.get(code="cloth")
    address = reverse("price_edit", args=[operation.pk])
    assert client.post(address, fields(operation, minutes="6", starts_on=day(10).isoformat())).status_code == 302
    assert {row.minutes for row in Operation.objects.as_of(day(9)) if row.code == "cloth"} == {4}
    assert {row.minutes for row in Operation.objects.as_of(day(10)) if row.code == "cloth"} == {6}
    event = Event.objects.get(what="price_changed")
    assert event.details["starts_on"] == day(10).isoformat()
    page = client.get(address).content.decode()
    history = page.split("Prices over time")[1]
    assert "6.25" in history  # 6 min at 60 an hour and 0.25 of cloth
    assert "4.25" in history
    assert history.index("6.25") < history.index("holds today") < history.index("the beginning") or (
        history.index("the beginning") < history.index("holds today")
    )
    assert "6.25" in client.get(reverse("price_list")).content.decode()


def test_a_price_that_is_to_come_can_be_taken_back_and_one_that_held_not(client, owner):
    price_change("cloth", {"minutes": Decimal(6)}, by=owner, starts_on=day(3))
    price_change("cloth", {"minutes": Decimal(5)}, by=owner)
    later, holds = Price.objects.get(starts_on=day(3)), Price.objects.get(starts_on=day(0))
    for price in (later, holds):
        client.post(reverse("price_withdraw", args=[price.pk]))
    assert list(Price.objects.all()) == [holds]
    assert Event.objects.filter(what="price_dropped").count() == 1
    climb("price_withdraw", holds.pk, roles={Role.OWNER}, methods={"POST"})
    gone("price_withdraw", 4711, method="POST")


@pytest.mark.parametrize("starts_on", ["2020-01-01", "2999-01-01", "tomorrow", "20\x0026"])
def test_a_day_that_no_price_can_begin_on_is_told(client, owner, starts_on):
    operation = Operation.objects.get(code="cloth")
    answer = client.post(
        reverse("price_edit", args=[operation.pk]), fields(operation, minutes="9", starts_on=starts_on)
    )
    assert answer.status_code == 200
    assert 'id="id_starts_on_error"' in answer.content.decode()
    assert not Price.objects.exists()


def test_what_is_not_the_price_changes_at_once_and_makes_no_history(client, owner):
    operation = Operation.objects.get(code="cloth")
    client.post(reverse("price_edit", args=[operation.pk]), fields(operation, title="Cloth", starts_on=day(5)))
    assert today("cloth").title == "Cloth"
    assert not Price.objects.exists()


@given(
    st.lists(st.tuples(st.integers(min_value=-30, max_value=30), st.integers(min_value=1, max_value=99)), max_size=6),
    st.integers(min_value=-40, max_value=40),
)
@hypothesis_settings(max_examples=50)
def test_on_each_day_holds_the_price_that_began_last(prices, asked):
    operation = Operation(pk=1, minutes=Decimal(0), material_price=Decimal(0))
    rows = {began: Price(starts_on=day(began), minutes=minutes, material_price=0) for began, minutes in prices}
    operation._prefetched_objects_cache = {"prices": type("Rows", (list,), {"all": lambda self: self})(rows.values())}
    expected = 0
    for began in range(-40, asked + 1):
        expected = rows[began].minutes if began in rows else expected
    assert operation.price_on(day(asked))[0] == expected


# --- taxes ---------------------------------------------------------------------------------------


def test_classes_of_tax_are_added_changed_and_taken_off_unless_work_needs_them(client, owner):
    address = reverse("tax_list")
    client.post(address, {"keep": "new", "new-name": "Reduced", "new-rate": "7"})
    tax = TaxClass.objects.get()
    client.post(address, {"keep": str(tax.pk), f"t{tax.pk}-name": "Reduced", f"t{tax.pk}-rate": "7,5"})
    tax.refresh_from_db()
    assert tax.rate == Decimal("7.5")
    operation = Operation.objects.get(code="cloth")
    client.post(reverse("price_edit", args=[operation.pk]), fields(operation, tax=tax.pk))
    assert today("cloth").tax == tax
    assert "Reduced 7.5 %" in client.get(reverse("price_list")).content.decode()
    page = client.post(reverse("tax_delete", args=[tax.pk]), follow=True).content.decode()
    assert "Work stands under this tax (1)" in page
    price_change("cloth", {"tax": None}, by=owner)
    client.post(reverse("tax_delete", args=[tax.pk]))
    assert not TaxClass.objects.exists()
    whats = set(Event.objects.values_list("what", flat=True))
    assert {"tax_class_added", "tax_class_changed", "tax_class_removed"} <= whats


@pytest.mark.parametrize("bad", [{"new-rate": "101"}, {"new-rate": "NaN"}, {"new-name": ""}, {"new-name": "x\x00"}])
def test_a_bad_class_of_tax_is_told_and_not_kept(client, owner, bad):
    page = client.post(reverse("tax_list"), {"keep": "new", "new-name": "Reduced", "new-rate": "7", **bad})
    assert 'class="error"' in page.content.decode()
    assert not TaxClass.objects.exists()


@pytest.mark.once
def test_only_the_owner_changes_taxes(owner):
    climb("tax_list", roles={Role.OWNER}, methods={"GET", "POST"})
    climb("tax_delete", TaxClass.objects.create(name="None", rate=Decimal(0)).pk, roles={Role.OWNER}, methods={"POST"})
    gone("tax_delete", 4711, method="POST")


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
    assert today("cloth").minutes == 4
    kept = client.post(reverse("price_import"), {"text": text, "keep": "1"})
    assert kept.status_code == 302
    assert today("cloth").minutes == Decimal("4.50")
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
        prices_import([("cloth", None, {"minutes": Decimal(7)}), ("strip", None, {"title": ""})], by=owner)
    assert today("cloth").minutes == 4


def test_nothing_changed_leaves_no_event(owner):
    price_change("cloth", {"minutes": Decimal("4.00")}, by=owner)
    assert not Event.objects.filter(what="price_changed").exists()


def test_later_prices_and_taxes_go_out_and_come_in_again(client, owner):
    tax = TaxClass.objects.create(name="None", rate=Decimal(0))
    price_change("cloth", {"tax": tax, "minutes": Decimal(5)}, by=owner)
    price_change("cloth", {"minutes": Decimal(6)}, by=owner, starts_on=day(10))
    text = client.get(reverse("price_csv")).content.decode().removeprefix("\ufeff")
    assert f"{day(10)},None 0" in text
    assert {row.state for row in price_file(text).rows} == {"same"}
    Price.objects.all().delete()
    price_change("cloth", {"tax": None}, by=owner)
    page = client.post(reverse("price_import"), {"file": upload(text.replace(f",{day(0)},", ",,"))})
    assert page.status_code == 200
    client.post(reverse("price_import"), {"text": text.replace(f",{day(0)},", ",,"), "keep": "1"})
    assert (today("cloth").minutes, today("cloth").tax) == (5, tax)
    assert Price.objects.get(starts_on=day(10)).minutes == 6


@pytest.mark.parametrize(
    ("since", "tax", "says"),
    [
        ("2020-01-01", "", "this day is not in the list"),
        ("24.12.2026", "", "write a day such as"),
        ("2999-01-01", "", "more than five years away"),
        ("", "Luxury 90", "no class of tax"),
    ],
)
def test_a_line_with_a_day_or_tax_that_cannot_be_is_named(owner, since, tax, says):
    header = "code,title,unit,minutes,material_price,stage,from,tax\n"
    found = price_file(f"{header}cloth,Cloth,key,9,0,cloth,{since},{tax}\nstrip,Strip,key,1,0,strip,,\n")
    assert [row.line for row in found.wrong] == [2]
    assert says in found.wrong[0].errors[0]
