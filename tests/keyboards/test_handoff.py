"""The hand-off report as somebody who trusts nothing reads it: every figure found again from what lies inside the PDF.

The second path below uses numpy and scipy on the attached CSV and the limits of the attached JSON, and nothing of ours:
guard bands after JCGM 106:2012, clause 8 (1.645 u: one-sided 95 %), means after JCGM 100:2008, 4.2.
"""

import csv
import datetime
import io
import json
import re
import uuid
from decimal import Decimal

import numpy
import pytest
from django.core.files.base import ContentFile
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from pypdf import PdfReader
from scipy import stats

from keyboards.documents import handoff as document
from keyboards.models import Check, Entry, Gauge, KeyReading, Photo, PhotoAngle
from keyboards.progressing import redo_of
from keyboards.proving import proof_of
from keyboards.workflow.checks import check_change, check_close
from keyboards.workflow.gauges import gauge_keep
from keyboards.workflow.opening import open_trade
from shop.documents.estimate import compared
from shop.models import Estimate, Job, Role
from shop.workflow.estimates import DraftLine, DraftOption, estimate_accept, estimate_draft, estimate_send
from shop.workflow.opening import open_shop
from shop.workflow.prices import price_change
from tests.factories import make_check, make_job, make_person, make_readings, make_workshop

pytestmark = [pytest.mark.django_db, pytest.mark.once]


@pytest.fixture(autouse=True)
def catalogue(db):
    open_trade()


def report(job):
    return document.handoff(Job.objects.for_lists().get(pk=job.pk))


def text_of(pdf):
    return " ".join(" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(pdf)).pages)


def proof(job):
    return proof_of(Job.objects.for_lists().get(pk=job.pk))


def read(check, key, quantity, *values, gauge=None, high=None):
    """Entries as they come from the bench, the latest last, and the row that holds the last of them."""
    entries = [
        Entry.objects.create(
            check_done=check,
            kind="reading",
            key=key,
            quantity=quantity,
            value=value,
            high=high,
            gauge=gauge,
            by=check.begun_by,
            taken_at=check.begun_at + datetime.timedelta(seconds=count),
            received_at=check.begun_at,
            digest=str(uuid.uuid4()),
        )
        for count, value in enumerate(values)
    ]
    KeyReading.objects.filter(check_done=check, key=key).update(**{quantity: (values[-1] + (high or values[-1])) // 2})
    return entries


def final(job, **columns):
    check = make_check(job=job, kind="final", closed=True, quantities=["side_play"], humidity=Decimal("48.0"))
    make_readings(check=check, grade=0, **columns)
    return check


@pytest.fixture
def told():
    """A set with scatter, read at the fingertip and at the bushing, some keys near a limit three times."""
    chance = numpy.random.default_rng(7)
    job = make_job()
    before = make_check(job=job, closed=True, humidity=Decimal("52.0"))
    pins = [int(one) for one in chance.normal(3700, 6, 88)]
    make_readings(check=before, side_play=[int(one) for one in chance.normal(800, 90, 88)], balance_pin=pins, grade=1)
    play = [int(one) for one in chance.normal(620, 120, 88)]
    gaps = [pin + int(one) for pin, one in zip(pins, chance.normal(60, 25, 88), strict=True)]
    check = final(job, side_play=play, balance_mortise_width=gaps)
    for key in (3, 20, 41):
        read(check, key, "side_play", *(int(one) for one in chance.normal(720, 12, 3)))
    return job


def test_every_figure_is_found_again_from_the_csv_inside(told):
    pdf = report(told)
    files = {name: content[0].decode() for name, content in PdfReader(io.BytesIO(pdf)).attachments.items()}
    rows = list(csv.DictReader(io.StringIO(files[f"{told.tag}-readings.csv"])))
    limits = {one["quantity"]: one for one in json.loads(files[f"{told.tag}-readings.json"])["limits"]}
    keys = {one["key"]: one for one in json.loads(files[f"{told.tag}-readings.json"])["keys"]}
    text = text_of(pdf)

    def column(name):
        return numpy.array([float(row[name]) for row in rows])

    # what was judged, from the raw columns
    assert column("judged_side_play") == pytest.approx(column("final_side_play_mm"))
    clearance = column("final_balance_mortise_width_mm") - column("arrival_balance_pin_mm")
    assert column("judged_balance_clearance") == pytest.approx(clearance)
    # the repeats: pooled scatter, mean, and u of the mean
    repeated = [key["judged"][0]["readings"] for key in keys.values() if len(key["judged"][0]["readings"]) > 1]
    assert [len(one) for one in repeated] == [3, 3, 3]
    pooled = numpy.sqrt(sum(numpy.var(one, ddof=1) * 2 for one in repeated) / 6)
    expected = numpy.where(
        column("readings_side_play") > 1, numpy.sqrt(0.03**2 - pooled**2 * (1 - 1 / column("readings_side_play"))), 0.03
    )
    assert column("u_side_play") == pytest.approx(expected, abs=2e-5)
    assert column("judged_side_play")[[2, 19, 40]] == pytest.approx([numpy.mean(one) for one in repeated], abs=6e-4)
    # verdicts by hand, the worst of the two for a key
    worst = numpy.zeros(88, dtype=int)
    for name, limit in limits.items():
        value, u = column(f"judged_{name}"), column(f"u_{name}")
        inside = (value >= limit["low"] + 1.645 * u) & (value <= limit["high"] - 1.645 * u)
        outside = (value < limit["low"] - 1.645 * u) | (value > limit["high"] + 1.645 * u)
        verdict = numpy.where(inside, 0, numpy.where(outside, 2, 1))
        assert [row[f"verdict_{name}"] for row in rows] == [("pass", "undecided", "fail")[one] for one in verdict]
        chance = stats.norm.cdf(limit["high"], value, u) - stats.norm.cdf(limit["low"], value, u)
        said = [next(one for one in keys[key]["judged"] if one["quantity"] == name)["chance"] for key in sorted(keys)]
        assert said == pytest.approx(chance, abs=2e-3)  # u stands in the CSV with five decimals
        worst = numpy.maximum(worst, verdict)
    assert [row["verdict"] for row in rows] == [("pass", "undecided", "fail")[one] for one in worst]
    passing, open_, failing = (int((worst == one).sum()) for one in (0, 1, 2))
    assert min(passing, open_, failing) > 1  # else this proves little
    assert f"{passing} keys pass, {open_} are undecided, {failing} fail" in text
    pin = numpy.median(column("arrival_balance_pin_mm"))
    assert f"Balance pins: {pin:.2f} mm" in text
    assert f"a caul of {pin + 0.05:.2f} mm suits it; which was used was not written down" in text
    # evenness
    before, after = numpy.std(column("arrival_side_play_mm"), ddof=1), numpy.std(column("final_side_play_mm"), ddof=1)
    sharp = numpy.array(["♯" in row["note"] for row in rows])
    step = max(numpy.abs(numpy.diff(column("final_side_play_mm")[mask])).max() for mask in (sharp, ~sharp))
    assert re.search(rf"fingertip, mm {before:.2f} {after:.2f} {step:.2f} keys", text), (before, after, step)


def test_nobody_reads_a_key_until_it_passes():
    job = make_job(count=10)
    check = final(job, side_play=480)
    read(check, 4, "side_play", 900, 880, 640)
    found = proof(job).by_key[4].judged[0]
    assert found.value == pytest.approx(0.807)
    assert found.verdict == "fail"
    KeyReading.objects.filter(check_done=check, key=5).update(again={"side_play": "differ"})
    assert proof(job).undecided == (5,)


def test_repeats_decide_a_key_that_one_reading_leaves_open():
    job = make_job(count=10)
    check = final(job, side_play=[480, 480, 715, *[480] * 7])
    assert proof(job).undecided == (3,)
    # 0.715 lies 0.035 inside. One reading needs 1.645 * 0.03 = 0.049; the mean of nine that scatter by 0.026 needs
    # 1.645 * sqrt(0.03^2 - 0.026^2 * 8/9) = 0.029 (JCGM 100, 4.2.3)
    read(check, 3, "side_play", *(715 + 25 * sign for sign in (1, -1, 1, -1, 0, 1, -1, 1, -1)))
    found = proof(job).by_key[3].judged[0]
    assert found.value == pytest.approx(0.715)
    assert found.limit.u == pytest.approx(numpy.sqrt(0.03**2 - 8 * 0.025**2 / 8 * 8 / 9))
    assert found.verdict == "pass"


def test_a_photo_and_a_plug_gauge_carry_their_own_uncertainty():
    job = make_job(count=10)
    check = final(job, side_play=480, balance_mortise_width=3760, balance_pin=3700)
    (wide,) = read(check, 2, "balance_mortise_width", 3740, high=3780)
    judged = {one.quantity: one for one in proof(job).by_key[2].judged}
    # 0.02 mm with half a step of 0.04 mm over sqrt 3 (JCGM 100, 4.3.7)
    assert judged["balance_clearance"].limit.u == pytest.approx(numpy.hypot(0.02, 0.02 / numpy.sqrt(3)))
    assert judged["balance_clearance"].value == pytest.approx(0.06)
    assert wide.high == 3780
    (angle,) = read(check, 6, "skew", 1200)
    photo = Photo.objects.create(
        job=job, width=9, height=9, digest="-", taken_at=timezone.now(), image="a.jpg", small="b.jpg"
    )
    PhotoAngle.objects.create(
        photo=photo, entry=angle, taps=[], reference_is="rail", click_sd=100, u=262, bass_on="left"
    )
    found = proof(job)
    assert list(found.photos.values()) == [(0.262,)]
    text = text_of(report(job))
    assert "the angle of 1 key was read from a photo, standard uncertainty 0.26°" in text
    assert "not written down for balance mortise width, balance pin, side play" in text


def test_a_loose_keytop_stands_beside_the_verdict_of_its_key():
    job = make_job(count=10)
    check = final(job, side_play=480)
    KeyReading.objects.filter(check_done=check, key=7).update(findings={"top_loose": 2})
    assert "pass: Keytop loose 2" in text_of(report(job))


def test_an_instrument_stands_as_it_was_when_it_was_used():
    job = make_job(count=10)
    check = final(job, side_play=480)
    caliper, by = Gauge.objects.get(name="Digital caliper"), make_person()
    caliper.checked_on = datetime.date(2024, 3, 1)
    caliper.save()
    Check.objects.filter(pk=check.pk).update(gauge=caliper)
    first = report(job)
    assert "1 Mar 2024" in text_of(first)
    caliper.error, caliper.checked_on = 300, timezone.localdate()
    gauge_keep(caliper, by=by)
    caliper.error = 900
    gauge_keep(caliper, by=by)
    assert report(job) == first


def test_what_was_not_measured_is_said_and_who_released_stands_there():
    job = make_job(count=10)
    check = final(job, side_play=480)
    text = text_of(report(job))
    assert "nothing is said of it: clearance, balance bushing; clearance, front bushing." in text
    assert f"by {check.closed_by.short_name}, {timezone.localdate(check.closed_at):%-d %B %Y}: no key fails" in text
    assert "arrival check" not in text.lower()
    assert f"Final check, {timezone.localdate(check.begun_at):%-d %b %Y}: 48 % RH" in text


def test_24_heavy_photos_stay_under_ten_megabytes(settings, tmp_path):
    """Noise, which no JPEG makes small: 24 of them would be 14 MB."""
    make_workshop()
    job = make_job(count=10)
    final(job, side_play=480)
    noise = numpy.random.default_rng(1)
    for key in range(24):
        photo = Photo(job=job, key=key % 10 + 1, width=800, height=600, digest=str(key), taken_at=timezone.now())
        for field, size in ((photo.image, 600_000), (photo.small, 25_000)):
            field.save(f"{key}.jpg", ContentFile(padded_jpeg(size, noise)), save=False)
        photo.save()
    pdf = report(job)
    assert len(pdf) < 10_000_000
    assert 3 <= len(PdfReader(io.BytesIO(pdf)).pages) <= 14


def padded_jpeg(size, noise):
    """A picture whose file is as heavy as wished: random comment segments behind its head."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(noise.integers(0, 255, (60, 80, 3), dtype=numpy.uint8)).save(out, "JPEG")
    plain = out.getvalue()
    body = noise.bytes(size - len(plain)).replace(b"\xff", b"\xfe")
    parts = [body[start : start + 60_000] for start in range(0, len(body), 60_000)]
    comments = b"".join(b"\xff\xfe" + (len(part) + 2).to_bytes(2, "big") + part for part in parts)
    return plain[:2] + comments + plain[2:]


def test_what_was_agreed_of_level_and_drop_test_is_asked_for_shown_or_said_to_be_missing(client, quick_paper):
    """Limits nobody agreed to are no debt; what the client was promised is named until it is measured on every key."""
    job = make_job(count=10)
    open_shop(name="Testing Key Works")
    owner = make_person(role=Role.OWNER)
    price_change("final", {"proves": ["drop"]}, by=owner)
    common = [DraftLine("ease", Decimal(1)), DraftLine("final", Decimal(1))]
    option = DraftOption("All of it", lines=(DraftLine("cloth", Decimal(10)),))
    draft = estimate_draft(job=job, options=[option], common=common, by=owner)
    assert [row.proves for row in compared(draft)] == ["", "level", "drop test"]
    estimate_send(draft, to="ilse@example.org", by=owner)
    estimate_accept(Estimate.objects.get(pk=draft.pk), option="A", name="Ilse")
    price_change("ease", {"proves": []}, by=owner)  # what was agreed stays agreed

    client.force_login(owner)
    page = client.get(reverse("check_begin", args=[job.number]) + "?kind=final").content.decode()
    assert "Agreed with the client, on every key: level, drop test." in page
    ticked = {slug: "checked" in page.split(f'value="{slug}"')[1].split(">")[0] for slug in ("level", "dip")}
    assert ticked == {"level": True, "dip": False}

    check = make_check(job=job, kind="final", quantities=["side_play"])
    make_readings(check=check, grade=0, side_play=480)
    missing = "Agreed with the client and not measured: level; drop test."
    for address in (reverse("check_close", args=[job.number, check.pk]), reverse("final_verdicts", args=[job.number])):
        assert missing in client.get(address).content.decode()
    told = told_by(job)
    assert "the final check does not show: level; drop test." in told
    assert "<dd>agreed, not made</dd>" in told
    assert (
        told.count("(not shown at the final check: drop test)")
        == told.count("(not shown at the final check: level)")
        == 1
    )
    assert "(shown on every key" not in told
    assert "dip" not in told.lower()

    rows = check.keys.exclude(key=3)
    rows.update(level=50)
    check.keys.filter(key=7).update(findings={"drop_held": 2}, grade=1)
    assert "not written down as made on every key; key 7 did not fall" in told_by(job)
    check_change(check, by=owner, drop_tested=True)
    check_close(check, by=owner)
    told = told_by(job)
    assert "the final check does not show: level on key 3." in told
    assert "each key raised about 50 mm (2 in); all fell by their own weight except key 7" in told
    assert "fails: Does not fall by its own weight 2" in told
    assert redo_of(Job.objects.get(pk=job.pk)).stages[7] == "ease"
    said = json.loads(document.readings_json(proof(job)))
    assert (said["agreed"], said["agreed_not_measured"]) == (["level", "drop"], {"level": [3]})
    assert said["drop_test"] == {"made": True, "not_by_own_weight": [7]}

    check.keys.update(level=50, findings={}, grade=0)
    told = told_by(job)
    assert "each key raised about 50 mm (2 in); all fell by their own weight<" in told
    assert "Agreed and not measured" not in told


def told_by(job):
    context = document.context_of(Job.objects.for_lists().get(pk=job.pk), "mm")
    return render_to_string("documents/handoff.html", context)
