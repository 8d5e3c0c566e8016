"""What every answer tells the browser, whoever asks and whatever became of it."""

import pytest
from django.urls import reverse

from tests.factories import make_person

pytestmark = [pytest.mark.django_db, pytest.mark.once]


@pytest.mark.parametrize("path", ["/sign-in/", "/counter/", "/nowhere/", "/office/"])
def test_no_answer_is_kept_framed_sniffed_or_lent_to_others(client, settings, path):
    settings.SECURE_HSTS_SECONDS, settings.SECURE_HSTS_INCLUDE_SUBDOMAINS = 31536000, True  # as with an https address
    client.force_login(make_person())
    answer = client.get(path, secure=True)
    said = {name: answer.headers.get(name, "") for name in answer.headers}
    assert said["Cache-Control"].split(", ")[-1] == "no-store" or "no-store" in said["Cache-Control"]
    assert said["Strict-Transport-Security"].startswith("max-age=31536000; includeSubDomains")
    assert "default-src 'none'" in said["Content-Security-Policy"]
    assert "unsafe" not in said["Content-Security-Policy"]
    assert "camera=(self)" in said["Permissions-Policy"]
    assert "microphone=()" in said["Permissions-Policy"]
    assert {
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
        "Referrer-Policy": "same-origin",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
    }.items() <= said.items()


def test_a_host_name_that_is_none_of_ours_is_told_as_little(client):
    answer = client.get("/sign-in/", headers={"host": "elsewhere.example"})
    assert answer.status_code == 400
    assert (answer["X-Content-Type-Options"], answer["X-Frame-Options"]) == ("nosniff", "DENY")
    assert answer["Content-Security-Policy"] == "default-src 'none'; frame-ancestors 'none'"
    assert answer.cookies == {}


def test_a_page_is_in_one_language_whatever_the_browser_asks_for(client):
    page = client.post(
        reverse("sign_in"), {"username": "", "password": ""}, headers={"accept-language": "de, en;q=0.5"}
    )
    assert '<html lang="en-gb">' in page.content.decode()
    assert "This field is required." in page.content.decode()


def test_a_view_that_says_how_long_it_may_be_kept_is_heard(client):
    client.force_login(make_person())
    assert client.get(reverse("bench_worker")).headers["Cache-Control"] != "private, no-store"


def test_a_late_answer_to_an_ended_session_takes_no_cookie_away(client, settings):
    """It may be that of somebody who has signed in since; Django's own way would be to delete it."""
    client.cookies[settings.SESSION_COOKIE_NAME] = "ended" * 6
    answer = client.get(reverse("bench_token"))
    assert answer.status_code == 401
    assert settings.SESSION_COOKIE_NAME not in answer.cookies
    page = client.get(reverse("counter"))
    assert page.cookies[settings.SESSION_COOKIE_NAME]["max-age"] == 0  # a page leads to the sign-in and may clear it
