"""Settings from the environment: typed, and a bad one is named in a sentence."""

import os
import runpy
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.exceptions import ImproperlyConfigured

from shop import env

pytestmark = pytest.mark.once


@pytest.fixture(autouse=True)
def file(monkeypatch, tmp_path):
    monkeypatch.setattr(env, "FILE", tmp_path / "settings.env")
    return env.FILE


def test_the_file_says_what_the_environment_does_not(monkeypatch, file):
    file.write_text("# ours\n\nSETTING = a=b \nOTHER='x y'\nPORT=\"25\"\n")
    assert (env.text("SETTING"), env.text("OTHER"), env.whole("PORT", default=1)) == ("a=b", "x y", 25)
    monkeypatch.setenv("SETTING", "here")
    assert env.text("SETTING") == "here"
    for wrong in ("SETTING", "NO NAME=1", "=1"):
        file.write_text(f"# ours\n{wrong}\n")
        with pytest.raises(ImproperlyConfigured, match="line 2: write NAME=value"):
            env.text("SETTING")
    file.write_bytes(b"\xff")
    with pytest.raises(ImproperlyConfigured, match="cannot be read"):
        env.text("SETTING")


@pytest.mark.parametrize(("raw", "meant"), [("1", True), ("Yes", True), (" off ", False), ("", False)])
def test_yes_and_no_may_be_written_as_people_do(monkeypatch, raw, meant):
    monkeypatch.setenv("SETTING", raw)
    assert env.flag("SETTING") is meant


@pytest.mark.parametrize(
    ("raw", "read"),
    [
        ("perhaps", lambda: env.flag("SETTING")),
        ("ten", lambda: env.whole("SETTING", default=1)),
        ("70000", lambda: env.whole("SETTING", default=1, maximum=65535)),
        ("ssl", lambda: env.choice("SETTING", default="tls", among=("tls", "none"))),
        (__file__, lambda: env.folder("SETTING", default=Path())),
        (f"{__file__}/below", lambda: env.folder("SETTING", default=Path())),
    ],
)
def test_a_bad_value_is_named(monkeypatch, raw, read):
    monkeypatch.setenv("SETTING", raw)
    with pytest.raises(ImproperlyConfigured, match="SETTING"):
        read()


def test_nothing_said_is_the_usual(monkeypatch, tmp_path):
    monkeypatch.delenv("SETTING", raising=False)
    assert env.whole("SETTING", default=7) == 7
    assert env.listing("SETTING", default=("a",)) == ["a"]
    assert env.folder("SETTING", default=tmp_path / "new").stat().st_mode & 0o777 == 0o700
    monkeypatch.setenv("SETTING", "a, b,")
    assert env.listing("SETTING") == ["a", "b"]


@pytest.mark.parametrize(
    ("bad", "told"),
    [
        ({"TIME_ZONE": "Mars/Olympus"}, "TIME_ZONE is not a time zone: 'Mars/Olympus'"),
        ({"SITE_ADDRESS": "keys.example"}, "SITE_ADDRESS must be written like"),
        ({"SITE_ADDRESS": "https://"}, "SITE_ADDRESS must be written like"),
        ({"SITE_ADDRESS": "http://[1"}, "SITE_ADDRESS must be written like"),
        ({"DATABASE_URL": "nonsense"}, "DATABASE_URL must be written like postgres://"),
        ({"LANGUAGE_CODE": "klingon"}, "LANGUAGE_CODE is no language"),
        ({"SECRET_KEY": "short"}, "SECRET_KEY must have at least 32"),
    ],
)
def test_settings_that_cannot_be_are_named(monkeypatch, tmp_path, bad, told):
    with pytest.raises(ImproperlyConfigured, match=told):
        settings_of(monkeypatch, tmp_path, **bad)


def test_an_https_address_is_enough(monkeypatch, tmp_path):
    """Its host is answered, and a proxy in front is believed, as the program itself speaks no https."""
    told = settings_of(monkeypatch, tmp_path, SITE_ADDRESS="https://keys.example:8443")
    assert "keys.example" in told["ALLOWED_HOSTS"]
    assert "localhost" in told["ALLOWED_HOSTS"]
    assert told["SECURE_PROXY_SSL_HEADER"] == ("HTTP_X_FORWARDED_PROTO", "https")
    assert "SECURE_PROXY_SSL_HEADER" not in settings_of(monkeypatch, tmp_path, SITE_ADDRESS="http://keys.example")
    assert "SECURE_PROXY_SSL_HEADER" in settings_of(monkeypatch, tmp_path, BEHIND_PROXY="1")


def settings_of(monkeypatch, home, **environment):
    with monkeypatch.context() as patch:
        for name in ("SITE_ADDRESS", "ALLOWED_HOSTS", "BEHIND_PROXY", "DATABASE_URL", "SECRET_KEY"):
            patch.delenv(name, raising=False)
        for name, value in {"DATA_DIR": str(home), **environment}.items():
            patch.setenv(name, value)
        return runpy.run_path(str(Path(__file__).parents[2] / "shop" / "settings.py"))


def test_a_command_under_a_bad_setting_ends_with_its_sentence_alone(tmp_path):
    under = {**os.environ, "DATA_DIR": str(tmp_path), "TIME_ZONE": "Mars/Olympus"}
    under.pop("DJANGO_SETTINGS_MODULE", None)
    run = subprocess.run(
        [sys.executable, "manage.py", "migrate"],
        cwd=Path(__file__).parents[2],
        env=under,
        capture_output=True,
        text=True,
    )
    assert run.returncode == 1
    assert run.stderr.startswith("A setting is wrong. TIME_ZONE is not a time zone: 'Mars/Olympus'")
    assert len(run.stderr.splitlines()) == 1
