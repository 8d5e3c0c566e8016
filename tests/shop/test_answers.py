"""The client's page: what the link opens, what it never tells, and answers given through it."""

import datetime
import re
import statistics
import threading
import time
import uuid

import pytest
from django.db import connections
from django.test import Client, override_settings
from django.urls import reverse
from django.utils import timezone

from keyboards.models import Photo
from shop import guessing
from shop.models import Answer, Estimate, EstimateState, Event, Miss, Role
from shop.templatetags.shop import money
from shop.workflow import estimates
from tests.factories import (
    make_check,
    make_client,
    make_job,
    make_person,
    make_readings,
    make_sent,
    make_workshop,
    token_of,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quick_paper")]


@pytest.fixture
def sent():
    make_workshop(phone="0555 0147", terms="Two weeks.", payment="Account 00 1470")
    job = make_job()
    make_readings(check=make_check(job=job, closed=True), grade=[n % 4 for n in range(88)])
    return make_sent(job=job)


@pytest.fixture
def someone():
    """A browser that nobody is signed in with, and that checks forms as a real one is checked."""
    return Client(enforce_csrf_checks=True)


def words(response) -> str:
    text = re.sub(r"<[^>]+>", " ", response.content.decode()).replace("\u202f", " ")
    return " ".join(text.split())


def test_the_link_opens_the_estimate_and_nothing_of_the_shop(sent, someone):
    page = someone.get(reverse("estimate_answer", args=[token_of(sent)]))
    text = words(page)
    for priced in Estimate.objects.with_lines().get(pk=sent.pk).offer:
        assert f"{priced.totals.gross:,}".replace(",", " ") in text
        assert priced.option.title in text
    assert "at most 67.20 more before tax (80.64 with tax)" in text
    assert "88 keys" in text
    assert "Two weeks." in text
    assert "Balance Rail" not in text
    assert reverse("counter") not in page.content.decode()


def test_the_page_is_kept_by_nobody_and_sets_no_cookie(sent, someone):
    for name in ("estimate_answer", "answer_yes", "answer_no", "answer_pdf"):
        page = someone.get(reverse(name, args=[token_of(sent)]), {"option": "A"})
        assert page["Cache-Control"] == "no-store, private", name
        assert page["Referrer-Policy"] == "no-referrer"
        assert "noindex" in page["X-Robots-Tag"]
        assert not page.cookies
    page = someone.get(reverse("estimate_answer", args=[token_of(sent)]))
    assert b'name="robots" content="noindex' in page.content
    assert b"csrf" not in page.content


def test_a_form_from_a_page_without_referrer_goes_through(sent, someone):
    """Browsers send "Origin: null" from a page with Referrer-Policy: no-referrer."""
    answer = someone.post(
        reverse("answer_question", args=[token_of(sent)]), {"text": "When?", "name": "Ilse"}, headers={"Origin": "null"}
    )
    assert answer.status_code == 302
    assert Answer.objects.get().text == "When?"


def test_yes_by_the_link_agrees_one_option_with_its_extras(sent, someone):
    token, extra = token_of(sent), sent.lines.get(kind="extra")
    address = reverse("answer_yes", args=[token])
    page = someone.get(address, {"option": "B", "extra": extra.pk})
    priced = Estimate.objects.with_lines().get(pk=sent.pk)
    option = priced.options.get(letter="B")
    gross = priced.priced(option, [extra]).totals.gross
    assert f"{gross:,}".replace(",", " ") in words(page)
    missing = someone.post(address, {"option": "B"})
    assert missing.status_code == 200
    assert "Tick this box" in words(missing)
    assert not Answer.objects.exists()
    done = someone.post(address, {"option": "B", "extra": extra.pk, "name": "Ilse Varga", "terms": "on"})
    assert done.status_code == 302
    answer = Answer.objects.get()
    assert (answer.kind, answer.option.letter, answer.name, answer.taken_by) == ("yes", "B", "Ilse Varga", None)
    assert list(answer.extras.all()) == [extra]
    after = words(someone.get(done["Location"]))
    assert "Agreed: B Cloth and buttons" in after
    assert "Account 00 1470" in after
    assert "Ilse Varga said yes" in after


def test_a_yes_is_confirmed_by_one_letter_with_its_conditions_and_the_estimate(
    sent, someone, mailoutbox, django_capture_on_commit_callbacks
):
    address, extra = reverse("answer_yes", args=[token_of(sent)]), sent.lines.get(kind="extra")
    with django_capture_on_commit_callbacks(execute=True):
        for _click in range(2):
            someone.post(address, {"option": "B", "extra": extra.pk, "name": "Ilse Varga", "terms": "on"})
    (letter,) = mailoutbox
    agreed = Estimate.objects.with_lines().get(pk=sent.pk).agreed
    assert letter.to == [sent.sent_to]
    for told in (
        f"Estimate {sent.title}, version 1, option B: Cloth and buttons\nWith: {extra.title}, keys 40, 41\n",
        f"To pay: {money(agreed.totals.gross, 'EUR')} EUR with tax\nIlse Varga said yes on ",
        "at most 67.20 more before tax (80.64 with tax)",
        f"deposit of {money(agreed.totals.deposit, 'EUR')} EUR and name {sent.title}.\nAccount 00 1470",
        f"Ready {sent.working_days} working days after the deposit has come.",
    ):
        assert told in letter.body
    assert "/estimate/" not in letter.body
    with sent.sent_pdf.open("rb") as kept:
        assert letter.attachments == [(f"{sent.title}-v1.pdf", kept.read(), "application/pdf")]
    assert "A letter confirms it." in words(someone.get(reverse("estimate_answer", args=[token_of(sent)])))


@pytest.mark.parametrize(
    ("email", "wanted", "told"),
    [
        ("ilse@example.org", True, "A letter that confirms it goes to ilse@example.org."),
        ("ilse@example.org", False, "Taken down: the work is agreed."),
        ("", True, "No letter confirms it"),
        ("ilse at home", True, "No letter confirms it"),
    ],
)
def test_a_yes_by_phone_is_confirmed_where_an_address_is_known_and_the_shop_wants_it(client, email, wanted, told):
    make_workshop(confirm_yes=wanted)
    sent = make_sent(job=make_job(client=make_client(email=email)), to="")
    client.force_login(sent.created_by)
    said = {"said": "A", "name": "Ilse Varga"}
    page = client.post(reverse("answer_take", args=[sent.number]), said, follow=True)
    assert told in words(page)
    assert ("Confirmation" in words(page)) is (told.startswith("A letter"))
    assert Answer.objects.get().kind == "yes"


def test_the_sum_follows_the_extras_as_a_part_of_the_page(sent, someone):
    extra = sent.lines.get(kind="extra")
    headers = {"HX-Request": "true", "HX-Target": "sum"}
    part = someone.get(
        reverse("answer_yes", args=[token_of(sent)]), {"option": "A", "extra": extra.pk}, headers=headers
    )
    assert b"<html" not in part.content
    assert b'id="sum"' in part.content


def test_a_second_yes_and_a_yes_to_another_option_are_told(sent, someone):
    address = reverse("answer_yes", args=[token_of(sent)])
    data = {"name": "Ilse", "terms": "on"}
    someone.post(address, {"option": "A", **data})
    for letter in ("A", "B"):
        told = someone.post(address, {"option": letter, **data})
        assert told.status_code == 409
        assert "Ilse said yes to option A" in words(told)
    assert Answer.objects.count() == 1
    assert someone.get(address, {"option": "A"}).status_code == 302


def test_no_by_the_link(sent, someone):
    address = reverse("answer_no", args=[token_of(sent)])
    assert "Write" not in words(someone.get(address))
    assert someone.post(address, {"reason": "Too dear"}).status_code == 200
    assert someone.post(address, {"reason": "Too dear", "name": "Ilse"}).status_code == 302
    sent.refresh_from_db()
    assert sent.state == EstimateState.DECLINED
    assert Answer.objects.get().text == "Too dear"
    assert "You said no" in words(someone.get(reverse("estimate_answer", args=[token_of(sent)])))
    told = someone.post(address, {"name": "Ilse"})
    assert told.status_code == 409


@pytest.mark.parametrize(
    "typed",
    [
        {"text": "", "name": "Ilse"},
        {"text": "When?", "name": ""},
        {"text": "x" * 2001, "name": "Ilse"},
        {"text": "When?\x00", "name": "Ilse"},
        {"text": "When?", "name": "y" * 121},
    ],
)
def test_a_bad_question_is_told_and_not_kept(sent, someone, typed):
    page = someone.post(reverse("answer_question", args=[token_of(sent)]), typed)
    assert page.status_code == 200
    assert 'class="error"' in page.content.decode()
    assert not Answer.objects.exists()


def test_words_of_a_client_are_shown_as_words(sent, someone):
    someone.post(
        reverse("answer_question", args=[token_of(sent)]), {"text": "<b>bold</b> {{ 7 }}", "name": "<i>Ilse</i>"}
    )
    page = someone.get(reverse("estimate_answer", args=[token_of(sent)])).content.decode()
    assert "&lt;b&gt;bold&lt;/b&gt; {{ 7 }}" in page
    assert "<i>Ilse" not in page


def test_our_answer_stands_on_the_clients_page(sent, someone):
    question = estimates.question_ask(sent, text="When?", name="Ilse")
    estimates.question_reply(question, text="In December.", by=sent.created_by)
    assert "In December." in words(someone.get(reverse("estimate_answer", args=[token_of(sent)])))


def test_who_opened_it_and_when_is_seen_once_and_not_by_ourselves(sent, someone, client):
    address = reverse("estimate_answer", args=[token_of(sent)])
    client.force_login(make_person(role=Role.OWNER))
    client.get(address)
    someone.head(address)
    assert sent.links.get().first_seen_at is None
    someone.get(address)
    someone.get(address)
    link = sent.links.get()
    assert link.first_seen_at is not None
    assert Event.objects.filter(what="estimate_seen").count() == 1


# --- links that do not open ------------------------------------------------------------------------


def test_a_link_that_ended_says_what_to_do(sent, someone):
    token = token_of(sent)
    address = reverse("estimate_answer", args=[token])
    link = sent.links.get()
    link.expires_at = timezone.now() - datetime.timedelta(minutes=1)
    link.save()
    over = someone.get(address)
    assert over.status_code == 410
    assert "The time for this estimate is over" in words(over)
    assert "0555 0147" in words(over)
    link.expires_at = timezone.now() + datetime.timedelta(days=9)
    link.save()
    estimates.link_resend(sent, to="ilse@example.org", by=sent.created_by)
    assert "newer letter" in words(someone.get(address))
    assert someone.post(reverse("answer_yes", args=[token]), {"option": "A"}).status_code == 410
    assert someone.get(reverse("answer_pdf", args=[token])).status_code == 410
    estimates.estimate_withdraw(sent, by=sent.created_by, reason="Wrong")
    assert "taken this estimate back" in words(someone.get(address))


def test_what_was_agreed_says_that_a_newer_version_waits_for_an_answer(sent, someone):
    address = reverse("estimate_answer", args=[token_of(sent)])
    estimates.estimate_accept(sent, option=sent.options.first(), name="Ilse", extras=[])
    assert "waits for your answer" not in words(someone.get(address))
    newer = Estimate.objects.get(pk=sent.pk)
    newer.pk, newer.version, newer.state, newer.sent_at = None, 2, EstimateState.SENT, timezone.now()
    newer.save()
    text = words(someone.get(address))
    assert "Version 2 of this estimate went out on" in text
    assert "Its letter holds a link of its own" in text
    Estimate.objects.filter(pk=newer.pk).update(sent_to="")
    assert "You have it on paper" in words(someone.get(address))
    Estimate.objects.filter(pk=newer.pk).update(valid_until=datetime.date(2020, 1, 1))
    assert "has no answer. It was good until Wed 1 Jan 2020: ask us" in words(someone.get(address))
    assert "is version 2." in estimates.usual_message(newer)


def test_after_the_last_day_the_page_is_read_and_takes_a_question_only(sent, someone):
    token = token_of(sent)
    Estimate.objects.update(valid_until=timezone.localdate() - datetime.timedelta(days=1))
    page = someone.get(reverse("estimate_answer", args=[token]))
    assert "Ask us for a fresh one" in words(page)
    assert reverse("answer_yes", args=[token]).encode() not in page.content
    late = someone.post(reverse("answer_yes", args=[token]), {"option": "A", "name": "Ilse", "terms": "on"})
    assert late.status_code == 409
    assert (
        someone.post(reverse("answer_question", args=[token]), {"text": "A fresh one?", "name": "Ilse"}).status_code
        == 302
    )


UNKNOWN = ["a" * 43, "nonsense", "0", "%00", "a" * 5000, "..", "ключ", "A-_" * 14]


@pytest.mark.parametrize("token", UNKNOWN)
def test_every_unknown_token_gets_the_same_page(sent, someone, token):
    page = someone.get(f"/estimate/{token}/")
    assert page.status_code == 404
    assert page.content == someone.get("/estimate/" + "z" * 43 + "/").content
    assert page["Cache-Control"] == "no-store, private"
    assert "Open it from our letter again" in words(page)


def test_a_token_is_not_found_by_its_beginning_or_its_hash(sent, someone):
    token = token_of(sent)
    for wrong in (token[:-1], token + "a", token.swapcase(), sent.links.get().token_hash):
        assert someone.get(f"/estimate/{wrong}/").status_code == 404


def test_unknown_tokens_take_alike_however_near_they_are(sent, someone, settings):
    token = token_of(sent)
    near = token[:-1] + ("a" if token[-1] != "a" else "b")

    def seconds(value: str) -> float:
        times = []
        for _ in range(15):
            Miss.objects.all().delete()
            start = time.perf_counter()
            someone.get(f"/estimate/{value}/")
            times.append(time.perf_counter() - start)
        return statistics.median(times)

    # The database compares hashes, so nearness of the token cannot show. A wide margin: machines are busy.
    assert seconds(near) < 5 * seconds("z" * 43) + 0.05


def test_guessing_is_slowed_and_real_links_still_open(sent, someone):
    real = reverse("estimate_answer", args=[token_of(sent)])
    codes = [someone.get(f"/estimate/{n:043d}/").status_code for n in range(guessing.MOST + 5)]
    assert codes[0] == 404
    assert codes[-1] == 429
    assert someone.get(real).status_code == 200
    other = Client(REMOTE_ADDR="203.0.113.9")
    assert other.get("/estimate/" + "a" * 43 + "/").status_code == 404


@pytest.mark.django_db(transaction=True)
def test_processes_that_count_at_once_lose_no_miss():
    """Each thread has its own connection, as each process of the program has."""
    together = threading.Barrier(4)
    failures: list[Exception] = []

    def miss():
        try:
            together.wait(timeout=60)
            for _ in range(5):
                guessing.count_miss("guessing:here", seconds=600)
        except Exception as error:
            failures.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=miss) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert failures == []
    assert Miss.objects.get(pk="guessing:here").count == 20


def test_the_count_of_misses_ends_after_its_time():
    assert [guessing.count_miss("guessing:here", seconds=600) for _ in range(2)] == [1, 2]
    Miss.objects.update(until=timezone.now() - datetime.timedelta(seconds=1))
    assert guessing.count_miss("guessing:here", seconds=600) == 1


def test_behind_a_proxy_the_address_is_what_the_proxy_says_last(someone):
    with override_settings(SECURE_PROXY_SSL_HEADER=("HTTP_X_FORWARDED_PROTO", "https")):
        codes = []
        for number in range(guessing.MOST + 5):
            headers = {"X-Forwarded-For": f"198.51.100.{number}, 203.0.113.9"}
            codes.append(someone.get("/estimate/" + "a" * 43 + "/", headers=headers).status_code)
    assert codes[-1] == 429


# --- photos and paper ------------------------------------------------------------------------------


def make_photo(job) -> Photo:
    from django.core.files.base import ContentFile

    photo = Photo(job=job, key=41, caption="torn", width=4, height=3, digest="x", taken_at=timezone.now())
    photo.image.save("x.jpg", ContentFile(b"large"), save=False)
    photo.small.save("x.jpg", ContentFile(b"small"), save=False)
    photo.save()
    return photo


def test_the_client_sees_the_photos_chosen_and_no_other(sent, someone):
    shown, other, foreign = make_photo(sent.job), make_photo(sent.job), make_photo(make_job())
    Estimate.objects.update(photos=[str(shown.op), str(foreign.op)])
    token = token_of(sent)
    page = someone.get(reverse("estimate_answer", args=[token])).content.decode()
    assert str(shown.op) in page
    assert str(other.op) not in page
    assert str(foreign.op) not in page
    large = someone.get(reverse("estimate_photo", args=[token, shown.op]))
    assert (large.content, large["Content-Type"]) == (b"large", "image/jpeg")
    assert large["Cache-Control"] == "no-store, private"
    assert someone.get(reverse("estimate_photo_small", args=[token, shown.op])).content == b"small"
    for op in (other.op, foreign.op, uuid.uuid4()):
        assert someone.get(reverse("estimate_photo", args=[token, op])).status_code == 404
    assert someone.get(reverse("estimate_photo", args=["a" * 43, shown.op])).status_code == 404


def test_the_client_keeps_the_pdf_that_was_sent(sent, someone):
    paper = someone.get(reverse("answer_pdf", args=[token_of(sent)]))
    assert paper.content.startswith(b"%PDF-")
    assert f"{sent.title}-v1.pdf" in paper["Content-Disposition"]


def test_the_page_asks_the_database_as_often_for_many_lines(sent, someone, django_assert_max_num_queries):
    address = reverse("estimate_answer", args=[token_of(sent)])

    def queries() -> int:
        with django_assert_max_num_queries(60) as seen:
            assert someone.get(address).status_code == 200
        return len(seen)

    estimates.question_ask(sent, text="?", name="Ilse")
    queries()
    before = queries()
    line = sent.lines.first()
    for _ in range(20):
        line.pk = None
        line.save(force_insert=True)
    for number in range(10):
        estimates.question_ask(sent, text=str(number), name="Ilse")
    assert queries() == before


def test_methods_that_mean_nothing_here_are_refused(sent, someone):
    token = token_of(sent)
    for name, method in (
        ("estimate_answer", "post"),
        ("answer_pdf", "post"),
        ("answer_question", "get"),
        ("answer_yes", "delete"),
    ):
        assert getattr(someone, method)(reverse(name, args=[token])).status_code == 405
