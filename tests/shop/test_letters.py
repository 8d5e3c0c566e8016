"""Letters: kept until a mail server takes them, never lost, never failing a click, never sent twice."""

import email
import socket
from email import policy
from io import StringIO

import pytest
from aiosmtpd.controller import Controller
from django.conf import settings
from django.core import mail
from django.core.management import call_command
from django.test import override_settings
from django.urls import reverse
from django.utils import timezone
from post_office.models import STATUS, Email

from shop.models import Event, Role
from shop.workflow import letters
from shop.workflow.estimates import estimate_withdraw, link_withdraw
from shop.workflow.letters import Enclosure, deliver_waiting, letter_queue, letter_retry, state_of
from shop.workflow.refusal import Refused
from tests.factories import make_draft, make_person, make_sent, make_workshop
from tests.ladder import climb, gone

pytestmark = pytest.mark.django_db


class Box:
    """What a mail server has taken; refuses what it is told to."""

    def __init__(self) -> None:
        self.taken: list = []
        self.refuse = ""

    async def handle_RCPT(self, server, session, envelope, address, options):  # noqa: N802
        if self.refuse:
            return self.refuse
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):  # noqa: N802
        self.taken.append(email.message_from_bytes(envelope.content, policy=policy.default))
        return "250 taken"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture
def post():
    """Settings of a shop with a mail server on this machine; post(box) starts it, its result stops it."""
    port = free_port()
    running: list[Controller] = []

    def start(box: Box) -> Controller:
        controller = Controller(box, hostname="127.0.0.1", port=port)
        controller.start()
        running.append(controller)
        return controller

    with override_settings(
        EMAIL_HOST="127.0.0.1",
        EMAIL_PORT=port,
        EMAIL_USE_TLS=False,
        EMAIL_USE_SSL=False,
        POST_OFFICE={**settings.POST_OFFICE, "BACKENDS": {"default": "django.core.mail.backends.smtp.EmailBackend"}},
    ):
        yield start
    for controller in running:
        if controller.server is not None:
            controller.stop()


def write(**fields) -> Email:
    return letter_queue(
        **{"to": "ilse@example.org", "subject": "Your keyboard", "text": "Dear Ilse", "by": None, **fields}
    )


def due_now() -> None:
    Email.objects.filter(status=STATUS.requeued).update(scheduled_time=timezone.now())


def test_a_letter_goes_out_after_the_commit_with_its_enclosure(django_capture_on_commit_callbacks, post):
    make_workshop(name="Söhne, Keys", email="work@shop.example")
    box = Box()
    post(box)
    with django_capture_on_commit_callbacks(execute=True):
        letter = write(text="Grüße, 1 709.60 €", enclosures=[Enclosure("e.pdf", content=b"%PDF-1.7")])
        assert box.taken == []
    letter.refresh_from_db()
    assert letter.status == STATUS.sent
    came = box.taken[0]
    assert came["To"] == "ilse@example.org"
    assert (came["From"].addresses[0].display_name, came["From"].addresses[0].domain) == ("Söhne, Keys", "localhost")
    assert came["Reply-To"] == "work@shop.example"
    assert came.get_body().get_content().strip() == "Grüße, 1 709.60 €"
    (paper,) = came.iter_attachments()
    assert (paper.get_filename(), paper.get_content()) == ("e.pdf", b"%PDF-1.7")


@pytest.mark.usefixtures("quick_paper")
def test_a_dead_mail_server_loses_nothing_and_fails_no_click(client, django_capture_on_commit_callbacks, post):
    owner = make_person(role=Role.OWNER)
    client.force_login(owner)
    estimate = make_draft(by=owner)
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(
            reverse("estimate_send", args=[estimate.number]), {"how": "letter", "to": "ilse@example.org", "message": ""}
        )
    assert answer.status_code == 302
    letter = estimate.links.get().letter
    assert letter.status == STATUS.requeued
    page = client.get(estimate.get_absolute_url()).content.decode()
    assert "waiting to be sent, tried once, last error: [Errno 111]" in page
    assert "Try to send it now" in page
    token = letter.message

    still = client.post(reverse("letter_send", args=[letter.pk]), follow=True).content.decode()
    assert "It did not go" in still

    box = Box()
    post(box)
    due_now()
    out = StringIO()
    call_command("letters", stdout=out)
    assert "Letters sent: 1" in out.getvalue()
    call_command("letters", stdout=StringIO())
    assert len(box.taken) == 1  # once, however often it is asked
    assert box.taken[0].get_body().get_content().split() == token.split()
    letter.refresh_from_db()
    assert (letter.status, letter.number_of_retries) == (STATUS.sent, 3)
    # The client has the link now; a copy of the database opens nothing.
    assert "/estimate/…/" in letter.message


def test_tries_are_spread_out(post):
    letter = write()
    waits = []
    for _ in range(6):
        Email.objects.update(scheduled_time=None)
        assert deliver_waiting() == (0, 1)
        letter.refresh_from_db()
        waits.append(round((letter.scheduled_time - timezone.now()).total_seconds() / 60))
        assert deliver_waiting() == (0, 0)  # not due yet
    assert waits == [1, 5, 15, 30, 60, 60]


def test_an_address_refused_for_good_is_given_up_and_can_be_tried_by_hand(post):
    box = Box()
    box.refuse = "550 no such person"
    post(box)
    letter = write()
    assert deliver_waiting() == (0, 1)
    letter.refresh_from_db()
    assert letter.status == STATUS.failed
    assert state_of(letter) == "not sent, given up: 550 no such person"
    box.refuse = "451 later"
    assert letter_retry(letter, by=make_person(role=Role.OWNER)) is False
    letter.refresh_from_db()
    assert letter.status == STATUS.requeued
    box.refuse = ""
    assert letter_retry(letter, by=make_person(role=Role.OWNER)) is True
    letter.refresh_from_db()
    with pytest.raises(Refused, match="has been sent"):
        letter_retry(letter, by=make_person(role=Role.OWNER))


def test_a_letter_in_somebodys_hands_is_not_sent_twice(post):
    letter = write()
    assert letters._claim(letter, at=timezone.now())
    assert not letters._claim(letter, at=timezone.now())  # two at once: the second read the same row
    assert deliver_waiting() == (0, 0)
    with pytest.raises(Refused, match="being tried just now"):
        letter_retry(letter, by=make_person(role=Role.OWNER))


def test_a_try_that_was_cut_off_is_taken_up_again(post):
    letter = write()
    letters._claim(letter, at=timezone.now() - letters.LEASE)
    post(Box())
    assert deliver_waiting() == (1, 0)


def test_words_are_never_run_as_a_template():
    letter = write(text="{{ 7 }} {% load nothing %}", subject="{{ subject }}\nBcc: all@example.org")
    deliver_waiting()
    assert mail.outbox[0].body == "{{ 7 }} {% load nothing %}"
    assert mail.outbox[0].subject == "{{ subject }} Bcc: all@example.org"
    assert letter.to == ["ilse@example.org"]


@pytest.mark.parametrize("address", ["", "nowhere", "a@b@c", "a@example.org\nBcc: b@example.org", "x" * 300])
def test_an_address_that_is_none_is_refused(address):
    with pytest.raises(Refused):
        write(to=address)
    assert not Email.objects.exists()


@pytest.mark.usefixtures("quick_paper")
def test_a_letter_about_a_withdrawn_estimate_stays_here():
    estimate = make_sent()
    letter = estimate.links.get().letter
    estimate_withdraw(estimate, by=estimate.created_by, reason="Wrong price")
    assert deliver_waiting() == (0, 0)
    letter.refresh_from_db()
    assert state_of(letter).startswith("not sent, given up: The estimate was withdrawn")
    with pytest.raises(Refused, match="was withdrawn"):
        letter_retry(letter, by=estimate.created_by)


def test_without_a_mail_server_letters_are_files_the_owner_reads(tmp_path):
    with override_settings(
        EMAIL_FILE_PATH=tmp_path,
        POST_OFFICE={
            **settings.POST_OFFICE,
            "BACKENDS": {"default": "django.core.mail.backends.filebased.EmailBackend"},
        },
    ):
        letter = write(text="http://127.0.0.1:8000/estimate/" + "a" * 43 + "/")
        assert deliver_waiting() == (1, 0)
    assert len(list(tmp_path.iterdir())) == 1
    letter.refresh_from_db()
    assert "a" * 43 in letter.message  # the demonstration opens the client's page from here
    assert "no mail server" in state_of(letter)


@pytest.mark.usefixtures("quick_paper")
def test_the_owner_reads_letters_and_what_came_with_them(client):
    owner = make_person(role=Role.OWNER)
    client.force_login(owner)
    estimate = make_sent(by=owner)
    letter = estimate.links.get().letter
    Email.objects.filter(pk=letter.pk).update(message=letter.message + "\n<script>alert(1)</script>")
    assert estimate.job.tag.encode() in client.get(reverse("letter_list")).content
    page = client.get(reverse("letter_detail", args=[letter.pk])).content.decode()
    assert "<script>alert" not in page
    assert 'href="http://127.0.0.1:8000/estimate/' in page
    paper = client.get(reverse("letter_attachment", args=[letter.pk, letter.attachments.get().pk]))
    assert paper.content.startswith(b"%PDF-")
    assert paper["Content-Disposition"].startswith("inline")
    other = write(enclosures=[Enclosure("x.html", "text/html", content=b"<script>")])
    saved = client.get(reverse("letter_attachment", args=[other.pk, other.attachments.get().pk]))
    assert saved["Content-Disposition"].startswith("attachment")
    assert saved["Content-Type"] == "application/octet-stream"
    gone("letter_attachment", letter.pk, other.attachments.get().pk)


@pytest.mark.once
def test_only_the_owner_reads_letters():
    letter = write(enclosures=[Enclosure("e.pdf", content=b"%PDF-")])
    climb("letter_list", roles={Role.OWNER})
    climb("letter_detail", letter.pk, roles={Role.OWNER})
    climb("letter_send", letter.pk, roles={Role.OWNER}, methods={"POST"})
    climb("letter_attachment", letter.pk, letter.attachments.get().pk, roles={Role.OWNER})
    gone("letter_detail", 4711)


def test_the_list_of_letters_asks_as_often_for_many(client, django_assert_max_num_queries):
    client.force_login(make_person(role=Role.OWNER))

    def queries() -> int:
        with django_assert_max_num_queries(40) as seen:
            client.get(reverse("letter_list"))
        return len(seen)

    write()
    queries()
    before = queries()
    for _ in range(20):
        write()
    assert queries() == before


@pytest.mark.usefixtures("quick_paper")
def test_trying_again_is_on_record():
    estimate = make_sent()
    letter_retry(estimate.links.get().letter, by=estimate.created_by)
    assert Event.objects.get(what="letter_tried_again").by == estimate.created_by
    link_withdraw(estimate, by=estimate.created_by)
