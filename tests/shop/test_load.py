"""Ten tablets and five desks at once on a real web server: nothing is refused, nothing is lost, on either database.

How fast it is is measured by hand, and so is what the same work meets without IMMEDIATE:
python -m tests.benchmarks.bench_load.
"""

import gzip
import sqlite3
from contextlib import closing

import brotli
import pytest
from django.db import OperationalError, connection, connections
from django.urls import reverse

from keyboards.workflow import entries
from tests.factories import make_check, make_person
from tests.keyboards.test_entries import op
from tests.load import DESKS, TABLETS, lost, open_for_work, serving, work

pytestmark = pytest.mark.django_db(transaction=True)
READINGS = 8


def test_ten_tablets_and_five_desks_meet_no_error_and_lose_no_row():
    shop = open_for_work()
    with serving(debug=True) as (port, said):
        told = work(port, shop, readings=READINGS)
    assert not told.wrong
    assert not [line for line in said if "locked" in line or "Error" in line]
    assert len(told.tablet) == TABLETS * READINGS
    assert len(told.desk) >= DESKS
    assert lost(shop, told) == []


def test_pages_are_compressed_and_nothing_else_is(client):
    """Pages alone: a photo or PDF gains nothing, and a calendar's ETag may not change."""
    check = make_check()
    client.force_login(check.begun_by)
    plain = client.get(reverse("check_detail", args=[check.job.number, check.pk]))
    for coding, accepts, undone in (
        ("br", "gzip, deflate, br, zstd", brotli.decompress),
        ("gzip", "gzip, deflate, br;q=0", gzip.decompress),
    ):
        page = client.get(plain.request["PATH_INFO"], headers={"accept-encoding": accepts})
        assert page["Content-Encoding"] == coding
        assert "Accept-Encoding" in page["Vary"]
        assert int(page["Content-Length"]) == len(page.content) < len(plain.content) / 4
        assert b"</html>" in undone(page.content)
    accepts = {"accept-encoding": "gzip, br"}
    for other in (reverse("bench_worker"), reverse("job_tags", args=[check.job.number])):
        assert "Content-Encoding" not in client.get(other, headers=accepts)


@pytest.fixture
def another_writes(monkeypatch):
    """Somebody else writes, without waiting, when a batch has read and has yet to write; how that went for them."""
    load, went = entries._Batch._load, []

    def read_and_meanwhile(batch, operations):
        load(batch, operations)
        with closing(sqlite3.connect(connection.settings_dict["NAME"], timeout=0)) as other:
            try:
                other.execute("UPDATE shop_job SET boxes = boxes + 1")
                other.commit()
                went.append("kept")
            except sqlite3.OperationalError as error:
                went.append(str(error))

    monkeypatch.setattr(entries._Batch, "_load", read_and_meanwhile)
    return went


@pytest.mark.skipif(connection.vendor != "sqlite", reason="PostgreSQL locks rows, not files")
def test_a_batch_has_the_file_before_it_reads_so_it_can_always_write(another_writes):
    check, sent = make_check(), op()
    assert entries.entries_apply(check, [sent], by=make_person()).kept == (sent["op"],)
    assert another_writes == ["database is locked"]  # with the usual patience they wait, and write then


@pytest.mark.skipif(connection.vendor != "sqlite", reason="PostgreSQL locks rows, not files")
def test_without_immediate_the_same_batch_meets_a_locked_database(another_writes, monkeypatch):
    """The control: one that has read an older state cannot become a writer any more."""
    check, by = make_check(), make_person()
    with monkeypatch.context() as patch:
        patch.setattr(connections["default"], "transaction_mode", None)
        with pytest.raises(OperationalError, match="database is locked"):
            entries.entries_apply(check, [op()], by=by)
    assert another_writes == ["kept"]
