"""Tools for the bench: the ladder, figures from outside, both units, hostile input."""

import datetime
import html
import re
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from keyboards.forms.numbers import said, shown
from keyboards.reckoning import TOOLS
from shop.models import Units
from tests.factories import make_check, make_job, make_person, make_readings
from tests.ladder import climb, gone

pytestmark = [pytest.mark.django_db, pytest.mark.once]

HOSTILE = ["", " ", "x", "NaN", "inf", "1e9", "-5", "\x00", "٣", "9" * 10_000, "5.5.5", "<b>1</b>", "0x10", "1,2,3"]


@pytest.fixture
def bench(client):
    """Signed in as a technician who measures in mm; call it with a tool and what is asked."""
    client.force_login(make_person(units=Units.MM))

    def ask(slug: str, **asked):
        return client.get(reverse("tool_detail", args=[slug]), asked)

    return ask


def text(page) -> str:
    """The page's words, tags and line ends taken out."""
    return " ".join(re.sub(r"<[^>]+>", " ", page.content.decode()).split())


@pytest.mark.once
def test_the_ladder_of_the_index():
    climb("tools")


@pytest.mark.once
@pytest.mark.parametrize("slug", TOOLS)
def test_the_ladder_of_each_tool(slug):
    climb("tool_detail", slug)


def test_there_is_no_other_tool():
    gone("tool_detail", "hammer")


def test_the_index_leads_to_every_tool_and_keeps_the_set(client):
    client.force_login(make_person())
    job = make_job()
    page = client.get(reverse("tools"), {"job": job.tag}).content.decode()
    for slug in TOOLS:
        assert f"{reverse('tool_detail', args=[slug])}?job={job.tag}" in page


@pytest.mark.parametrize("slug", TOOLS)
def test_every_tool_answers_at_once_with_its_formula_and_its_source(bench, slug):
    page = bench(slug)
    assert page.context["result"] is not None
    words = text(page)
    assert page.context["result"].figure in words
    for line in (*TOOLS[slug].formula, *map(str, TOOLS[slug].sources)):
        assert line.split("<")[0].strip()[:20] in page.content.decode().replace("&gt;", ">")


@pytest.mark.parametrize("slug", TOOLS)
def test_htmx_gets_the_tool_alone(client, slug):
    client.force_login(make_person())
    part = client.get(reverse("tool_detail", args=[slug]), headers={"HX-Request": "true", "HX-Target": "tool"})
    assert part.status_code == 200
    assert b"<html" not in part.content
    assert part.content.lstrip().startswith(b'<div class="columns-2" id="tool">')


# --- figures -------------------------------------------------------------------------------------


def test_the_cloth_for_a_mortise_of_5_5_and_a_pin_of_3_7(bench):
    # JCGM 100 and JCGM 106 (scipy): required 1.0294; cloth 1.0 leaves a misfit of 0.0500, u 0.0416, P 0.8770
    # with u(c) = 0.01, calibrated
    page = bench("cloth", mortise="5.5", pin="3.7", stock="1.0 1.2", calibrated="yes")
    facts = dict(page.context["result"].facts)
    assert page.context["result"].figure == "1.00 mm"
    assert facts["Exactly right would be"].startswith("1.029 mm")
    assert facts["Misfit, + is loose"] == "0.050 mm ± 0.042 mm"
    assert facts["Chance that it is in tolerance"] == "88 %"


def test_a_stock_in_steps_of_a_tenth_is_said_to_leave_gaps(bench):
    # a gap is left by any step over (0.10 + 0.05) / (2 * 0.85) = 0.088 mm
    page = bench("cloth", stock="0.9 1.0 1.08")
    assert len(page.context["result"].warnings) == 1
    assert "Between 0.90 mm and 1.00 mm" in text(page)
    assert "0.088 mm" in text(page)


def test_oversize_undersize_and_no_cloth_at_all_are_told_apart(bench):
    assert "the thickest in stock, and still loose" in text(bench("cloth", mortise="6.5"))
    assert "the thinnest in stock, and still tight" in text(bench("cloth", mortise="4.6"))
    assert "no cloth is thin enough" in text(bench("cloth", mortise="3.74"))


def test_the_trial_key_of_the_handbook_case_gives_way_by_14_percent(bench):
    assert bench("compression", mortise="5.5", pin="3.7", cloth="1", play="0.08").context["result"].figure == "0.140"


def test_a_play_that_no_cloth_leaves_is_said_beside_it(bench):
    page = bench("compression", play="2.5")
    assert page.context["result"] is None
    assert page.context["form"].errors["play"]
    assert 'value="2.5"' in page.content.decode()


def test_a_flat_sawn_maple_mortise_grows_six_hundredths_from_30_to_50_percent(bench):
    # Wood Handbook FPL-GTR-282, Table 4-2: 6.2 and 9.2 % at 21.1 degC; Table 13-5: 0.00353
    page = bench(
        "humidity", size="5.5", temperature_before="21.1", humidity_before="30", temperature_after="21.1",
        humidity_after="50",
    )  # fmt: skip
    facts = dict(page.context["result"].facts)
    assert page.context["result"].figure == "+0.060 mm"
    assert facts["Second reading in the first air"] == "5.440 mm"
    assert (facts["Moisture of the wood, first"], facts["Moisture of the wood, second"]) == ("6.2 %", "9.2 %")
    assert "more than 10 % RH apart" in text(page)


def test_ten_percent_apart_is_not_warned_of_and_wet_wood_is(bench):
    assert bench("humidity", humidity_before="45", humidity_after="55").context["result"].warnings == ()
    assert "6 to 14 % moisture" in text(bench("humidity", humidity_before="88", humidity_after="90"))


@pytest.mark.parametrize(("failing", "most"), [(0, 9), (1, 15), (2, 21), (3, 25)])
def test_22_of_88_keys_bound_the_rest(bench, failing, most):
    # scipy.stats.hypergeom
    assert bench("sample", total="88", inspected="22", failing=str(failing)).context["result"].figure == str(most)


@pytest.mark.parametrize(("allowed", "keys"), [(0, 84), (1, 68), (2, 55), (4, 39), (8, 24), (10, 20)])
def test_the_smallest_sample_for_so_many_allowed(bench, allowed, keys):
    # scipy.stats.hypergeom
    facts = bench("sample", total="88", failing="0", allowed=str(allowed)).context["result"].facts
    assert facts[0][1] == f"{keys} keys"


def test_the_draw_repeats_itself_and_names_what_fixed_steps_miss(bench):
    one, again, other = (bench("sample", seed=seed).context["result"] for seed in ("7", "7", "8"))
    assert one.facts[1] == again.facts[1] != other.facts[1]
    assert one.table[1][2] == "3 of 12"
    assert {one.table[2][2], one.table[3][2]} == {"12 of 12"}


def test_a_pin_called_146_that_measures_142_gets_a_caul_of_144(client):
    client.force_login(make_person(units=Units.INCH))
    page = client.get(reverse("tool_detail", args=["pin"]), {"nominal": ".146", "pin": ".142"})
    assert page.context["result"].figure == "0.144 in"
    assert "off its name by more than the whole side clearance" in text(page)


def test_52_and_28_grams_give_40_and_12(bench):
    result = bench("weight", down="52", up="28").context["result"]
    assert (result.figure, dict(result.facts)["Friction"]) == ("40 g", "12 g")
    assert "cannot lift more" in text(bench("weight", down="28", up="52"))


def test_a_button_a_fifth_shorter_bends_about_three_percent_more(bench):
    result = bench("flex").context["result"]
    assert result.figure == "+3.3 %"  # reference key, shear and engagement on: 0.036436 mm/N
    assert result.table[1][1].startswith("0.0364 ")


def test_a_pine_stick_bends_about_29_percent_more(bench):
    figure = bench("flex", other_length="40", other_stick_wood="sugar_pine").context["result"].figure
    assert figure.startswith("+29")  # 0.037738 over 0.029216 with a perfect glue line: + 29 %


def test_a_measured_sink_is_judged_by_the_bench_article(bench):
    for sink, word in (("0.7", "good"), ("0.9", "in between"), ("1.2", "poor")):
        assert f"{word} by that article" in text(bench("flex", measured=sink))


def test_a_bare_slot_is_the_first_thing_said(bench):
    warnings = bench("flex", other_length="14").context["result"].warnings
    assert len(warnings) == 1
    assert "bare: stop" in warnings[0]


@pytest.mark.parametrize(
    ("name", "asked"),
    [
        ("slot_width", {"slot_width": "14"}),
        ("slot_depth", {"slot_depth": "30"}),
        ("stick_width", {"hole": "9", "stick_width": "5.2"}),
        ("mortise_width", {"mortise_width": "13.5", "button_width": "13"}),
        ("button_length", {"button_length": "110", "rear_arm": "40"}),
        ("other_length", {"other_length": "110", "rear_arm": "40"}),
    ],
)
def test_sizes_that_clash_get_a_sentence_and_no_answer(bench, name, asked):
    page = bench("flex", **asked)
    assert page.status_code == 200
    assert page.context["result"] is None
    assert page.context["form"].errors
    for value in asked.values():
        assert f'value="{value}"' in page.content.decode(), name


# --- units, sets, bad input ----------------------------------------------------------------------


def test_a_comma_and_inches_mean_the_same_size(client):
    client.force_login(make_person(units=Units.INCH))
    address = reverse("tool_detail", args=["cloth"])
    inches = client.get(address, {"mortise": ".21654", "pin": ".14567", "stock": "0.03937"})
    assert inches.context["result"].figure == "0.0394 in"
    assert " in<" in inches.content.decode()
    metric = client.get(address, {"unit": "mm", "mortise": "5,5", "pin": "3,7", "stock": "1,0"})
    assert metric.context["result"].figure == "1.00 mm"
    pick = [dict(page.context["result"].facts)["Chance that it is in tolerance"] for page in (inches, metric)]
    assert pick[0] == pick[1]


def test_a_thickness_list_is_parted_by_spaces_commas_with_a_space_or_semicolons(bench):
    for stock in ("0.8 1.0", "0,8 1,0", "0.8, 1.0", "0.8;1.0", " 0.8   1.0 "):
        assert bench("cloth", stock=stock).context["form"].cleaned_data["stock"] == (0.8, 1.0), stock


@pytest.mark.parametrize("slug", TOOLS)
@pytest.mark.parametrize("value", HOSTILE)
def test_bad_input_gets_its_sentence_and_is_still_there(bench, slug, value):
    name = next(name for name, field in TOOLS[slug].form.base_fields.items() if hasattr(field, "low"))
    page = bench(slug, **{name: value})
    assert page.status_code == 200
    assert page.context["form"].errors[name], (slug, value)
    assert page.context["result"] is None
    if value.isascii() and value.isalnum() and len(value) < 20:
        assert f'value="{value}"' in page.content.decode()


def test_what_cannot_be_reckoned_with_is_named_as_its_field_is(bench):
    page = bench("flex", mortise_width="7", stick_width="6.5", plate_length="40", plate_height="1")
    told = "“Mortise, width” must be below “Stick, width at the pin”: 7 mm leaves no wood of 6.5 mm"
    assert told in html.unescape(text(page))
    assert "mortise_width" in page.context["form"].errors
    inches = {"mortise_width": "0.276", "stick_width": ".256", "plate_length": "1.6", "plate_height": "0.04"}
    page = bench("flex", unit="in", **inches)
    assert ": 0.276 in leaves no wood of 0.256 in" in html.unescape(text(page))


@pytest.mark.parametrize("slug", TOOLS)
def test_every_field_by_itself_refuses_what_is_no_number(bench, slug):
    names = list(TOOLS[slug].form.base_fields)
    page = bench(slug, **dict.fromkeys(names, "what"))
    assert page.status_code == 200
    assert set(page.context["form"].errors) == set(names)


def test_a_set_fills_the_form_from_its_readings(bench):
    job = make_job()
    check = make_check(job=job, kind="arrival", humidity=Decimal("38.0"), temperature=Decimal("19.5"))
    make_readings(check=check, balance_mortise_width=5640, balance_pin=3650, down_weight=54000, up_weight=24000)
    later = make_check(job=job, kind="stripped", humidity=Decimal("52.0"))
    later.begun_at = timezone.now() + datetime.timedelta(hours=1)
    later.save()
    make_readings(check=later, keys=[1, 2, 3], balance_mortise_width=5700)
    form = bench("cloth", job=job.tag).context["form"]
    assert (form.data["mortise"], form.data["pin"]) == ("5.64", "3.65")  # 85 keys of the arrival check stay
    form = bench("humidity", job=job.tag).context["form"]
    assert (form.data["humidity_before"], form.data["humidity_after"]) == ("38", "52")
    assert form.data["temperature_before"] == "19.5"
    assert bench("weight", job=job.tag).context["result"].figure == "39 g"
    assert bench("sample", job=job.tag).context["form"].data["total"] == "88"
    assert "88 keys" in text(bench("cloth", job=job.tag))


def test_what_is_typed_goes_before_what_was_read(bench):
    job = make_job()
    make_readings(check=make_check(job=job), balance_mortise_width=5640)
    assert bench("cloth", job=job.tag, mortise="5.1").context["form"].data["mortise"] == "5.1"


@pytest.mark.parametrize("tag", ["K-9999", "nonsense", "K-0", "\x00", "9" * 5000])
def test_a_set_that_is_not_there_is_said_and_the_tool_works(bench, tag):
    page = bench("weight", job=tag)
    assert page.status_code == 200
    assert page.context["result"] is not None
    assert "There is no set" in text(page)


def test_as_many_questions_for_two_keys_as_for_88(client, django_assert_num_queries):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    client.force_login(make_person())
    counts = []
    for keys in ([1, 2], range(1, 89)):
        job = make_job()
        make_readings(check=make_check(job=job), keys=keys, balance_mortise_width=5600, button_length=40_000)
        with CaptureQueriesContext(connection) as seen:
            client.get(reverse("tool_detail", args=["flex"]), {"job": job.tag})
        counts.append(len(seen))
    assert counts[0] == counts[1]


def test_lengths_are_written_in_the_unit_they_are_typed_in():
    assert (shown(3.7084, "in"), shown(3.7, "mm")) == ("0.1460", "3.70")
    assert (said(25.4, "in", 1), said(-0.05, "mm", 2)) == ("1.000 in", "−0.05 mm")
