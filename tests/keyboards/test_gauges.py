"""The shop's measuring instruments and its list of findings."""

import math

import pytest
from django.urls import reverse

from keyboards.models import Finding, Gauge, KeyReading
from keyboards.words import quantity_title
from keyboards.workflow.entries import entries_write
from keyboards.workflow.opening import open_trade
from shop.models import Event, Role
from tests.factories import make_check, make_person
from tests.keyboards.test_entries import typed
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.once]
BENCH, BOTH = {Role.TECHNICIAN}, {"GET", "POST"}


@pytest.fixture
def technician(client):
    person = make_person()
    client.force_login(person)
    return person


@pytest.mark.once
def test_every_page_asks_who_is_there():
    gauge = Gauge.objects.create(name="Caliper")
    Finding.objects.create(code="cloth_worn", group="cloth", title="Cloth worn")
    climb("gauge_list")
    climb("gauge_add", roles=BENCH, methods=BOTH)
    climb("gauge_edit", gauge.pk, roles=BENCH, methods=BOTH)
    climb("finding_list")
    climb("finding_add", roles=BENCH, methods=BOTH)
    climb("finding_edit", "cloth_worn", roles=BENCH, methods=BOTH)
    gone("gauge_edit", 999)
    gone("finding_edit", "nothing")


def test_an_empty_shop_is_told_what_is_missing(client, technician):
    assert "No instrument yet" in client.get(reverse("gauge_list")).content.decode()
    assert "No finding on the list" in client.get(reverse("finding_list")).content.decode()


def test_an_instrument_is_kept_with_its_uncertainty(client, technician):
    data = {
        "name": "Caliper 2",
        "kind": "caliper",
        "resolution": "0,01",
        "error": "0.03",
        "repeatability": "0.02",
        "checked_on": "2026-01-15",
    }
    client.post(reverse("gauge_add"), data)
    gauge = Gauge.objects.get()
    assert (gauge.resolution, gauge.error, gauge.repeatability) == (10, 30, 20)
    # JCGM 100, 4.3.7 and 5.1.2: u = sqrt((0.03/sqrt 3)^2 + (0.01/(2 sqrt 3))^2 + 0.02^2)
    expected = math.sqrt(0.03**2 / 3 + 0.01**2 / 12 + 0.02**2)
    assert gauge.uncertainty == pytest.approx(expected)
    text = client.get(reverse("gauge_list")).content.decode()
    assert f"{expected:.3f} mm" in text
    assert "15 Jan 2026" in text
    assert Event.objects.get(what="gauge_added").details["name"] == "Caliper 2"


def test_a_set_of_plug_gauges_holds_its_diameters_and_asks_about_others(client, technician):
    data = {"name": "Plugs", "kind": "plug", "resolution": "0.05", "error": "0.002"}
    for text, why in (
        ("4.9 x", "is not a number"), ("4.9 4.90", "twice"), ("0 5", "lies between"), ("٤ 5", "is not a number"),
        ("5\x00", "Null characters"), ("5 " * 301, "at most 300"),
    ):  # fmt: skip
        assert why in client.post(reverse("gauge_add"), {**data, "sizes": text}).content.decode()
    answer = client.post(reverse("gauge_add"), {**data, "kind": "caliper", "sizes": "5"}).content.decode()
    assert "Only a set of plug gauges" in answer
    assert not Gauge.objects.exists()
    client.post(reverse("gauge_add"), {**data, "sizes": "5.00 4,95; 4.90"})
    gauge = Gauge.objects.get()
    assert gauge.sizes == [4900, 4950, 5000]
    assert ">\n4.90 4.95 5.00</textarea>" in client.get(reverse("gauge_edit", args=[gauge.pk])).content.decode()

    check = make_check(gauge=gauge)
    address = reverse("reading_again", args=[check.job.number, check.pk, 1])
    reading = {"again-quantity": "balance_mortise_width"}
    asked = client.post(address, {**reading, "again-value": "4.90..5.00"}).content.decode()
    assert "4.95 mm lies between these two" in asked
    assert 'name="again-sure" value="4.90..5.00"' in asked
    asked = client.post(address, {**reading, "again-value": "4.90..4.97", "again-sure": "4.90..5.00"}).content.decode()
    assert "4.97 mm is no gauge of “Plugs”" in asked
    assert not KeyReading.objects.exists()
    client.post(address, {**reading, "again-value": "4.90..4.95"})
    client.post(address, {**reading, "again-value": "4.93", "again-sure": "4.93"})  # asked about, never refused
    assert [(one.value, one.high) for one in check.entries.order_by("taken_at")] == [(4900, 4950), (4930, None)]


def test_the_sheet_and_a_keys_page_ask_for_both_diameters_and_keep_what_is_odd(client, technician):
    """As the run and the repeat do: asked about, never refused, since a set is lent and gauges are lost."""
    plugs = Gauge.objects.create(name="Plugs", kind="plug", resolution=50, error=2, sizes=[4900, 4950, 5000])
    check = make_check(gauge=plugs, quantities=["balance_mortise_width", "skew"])
    at = (check.job.number, check.pk)
    assert "type both diameters, such as 5.60..5.65" in client.get(reverse("check_detail", args=at)).content.decode()
    typed = ["4.90..4.95", "4.93", "4.90..4.97", "4.90..5.00", "5.00..4.90", "x"]
    cells = [{"key": key, "quantity": "balance_mortise_width", "text": text} for key, text in enumerate(typed, start=1)]
    cells.append({"key": 7, "quantity": "skew", "text": "1.5"})
    told = client.post(reverse("check_cells", args=at), {"cells": cells}, content_type="application/json").json()
    asked = [cell["ask"].split(":")[0] for cell in told["cells"]]
    both = "Plug gauges read two diameters, the largest that enters and the smallest that does not"
    assert asked == ["", both, "4.97 mm is no gauge of “Plugs”.", "4.95 mm lies between these two.", "", "", ""]
    assert [bool(cell["why"]) for cell in told["cells"]] == [False] * 4 + [True] * 2 + [False]
    page = reverse("key_detail", args=[*at, 8])
    assert "both diameters: 5.60..5.65" in client.get(page).content.decode()
    kept = client.post(page, {"value_balance_mortise_width": "4.95"}, follow=True).content.decode()
    assert f"{quantity_title('balance_mortise_width')}: {both}" in kept
    assert KeyReading.objects.get(key=8).balance_mortise_width == 4950


def test_an_instrument_is_changed_and_taken_out_of_use(client, technician):
    gauge = Gauge.objects.create(name="Bevel", kind="bevel", resolution=500, error=500)
    address = reverse("gauge_edit", args=[gauge.pk])
    assert 'value="0.5"' in client.get(address).content.decode()
    data = {"name": "Bevel", "kind": "bevel", "resolution": "0.25", "error": "0.5"}
    client.post(address, {**data, "retire": "1"})
    gauge.refresh_from_db()
    assert (gauge.resolution, gauge.repeatability) == (250, 0)
    assert gauge.retired_at
    assert "out of use" in client.get(reverse("gauge_list")).content.decode()
    since = gauge.retired_at
    client.post(address, {**data, "retire": "1"})
    gauge.refresh_from_db()
    assert gauge.retired_at == since
    client.post(address, data)
    gauge.refresh_from_db()
    assert gauge.retired_at is None


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"name": ""}, "This field is required"),
        ({"kind": "laser"}, "Select a valid choice"),
        ({"resolution": "fine"}, "Enter a number"),
        ({"resolution": "0"}, "cannot be right"),
        ({"resolution": "0.0001"}, "cannot be right"),
        ({"error": "-1"}, "cannot be right"),
        ({"error": "NaN"}, "Enter a number"),
        ({"checked_on": "yesterday"}, "Enter a valid date"),
    ],
)
def test_a_bad_figure_is_told_beside_its_field_and_nothing_is_kept(client, technician, wrong, sentence):
    data = {"name": "Caliper", "kind": "caliper", "resolution": "0.01", "error": "0.03", **wrong}
    answer = client.post(reverse("gauge_add"), data)
    assert answer.status_code == 200
    assert sentence in answer.content.decode()
    assert not Gauge.objects.exists()


def test_a_finding_is_added_with_a_code_of_its_own(client, technician):
    data = {"title": "Cloth faded", "group": "cloth", "grade": "1", "position": "25"}
    client.post(reverse("finding_add"), data)
    client.post(reverse("finding_add"), data)
    assert sorted(Finding.objects.values_list("code", flat=True)) == ["cloth_cloth_faded", "cloth_cloth_faded_2"]
    assert Event.objects.filter(what="finding_added").count() == 2


@pytest.mark.parametrize("title", ["磨損", "x" * 60, "=1+1", "--"])
def test_whatever_its_words_a_finding_has_a_code_that_tablets_may_send(client, technician, title):
    client.post(reverse("finding_add"), {"title": title, "group": "cloth", "grade": "1", "position": "25"})
    code = Finding.objects.get().code
    assert entries_write(make_check(), [typed("finding", finding=code, severity=2)], by=technician).refused == ()
    assert client.get(reverse("finding_edit", args=[code])).status_code == 200


def test_a_finding_changes_its_words_and_not_its_code(client, technician):
    open_trade()
    address = reverse("finding_edit", args=["pin_bent"])
    client.post(address, {"title": "Pin bent hard", "group": "pin", "grade": "2", "position": "260"})
    finding = Finding.objects.get(code="pin_bent")
    assert (finding.title, finding.grade) == ("Pin bent hard", 2)


def test_a_finding_off_the_list_is_not_offered_and_keys_keep_it(client, technician):
    open_trade()
    check = make_check()
    entries_write(check, [typed("finding", finding="cloth_moth", severity=2)], by=technician)
    data = {"title": "Cloth moth-eaten", "group": "cloth", "grade": "1", "position": "50", "retire": "1"}
    client.post(reverse("finding_edit", args=["cloth_moth"]), data)

    def key_page(key: int) -> str:
        return client.get(reverse("key_detail", args=[check.job.number, check.pk, key])).content.decode()

    assert "finding_cloth_moth" in key_page(41)
    assert "finding_cloth_moth" not in key_page(42)
    assert KeyReading.objects.get(key=41).findings == {"cloth_moth": 2}
    sheet = client.get(reverse("check_detail", args=[check.job.number, check.pk])).content.decode()
    assert "Cloth moth-eaten 2" in sheet
    assert 'value="cloth_moth"' not in sheet


@pytest.mark.parametrize("wrong", [{"title": ""}, {"grade": "4"}, {"group": "price"}, {"position": "-1"}])
def test_a_bad_finding_is_not_kept(client, technician, wrong):
    data = {"title": "Cloth faded", "group": "cloth", "grade": "1", "position": "25", **wrong}
    assert client.post(reverse("finding_add"), data).status_code == 200
    assert not Finding.objects.exists()
