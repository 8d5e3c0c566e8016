"""What changed between two versions: added, taken out and changed lines, and differences that add up."""

from decimal import Decimal

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from shop.documents.changes import changed_lines, changes_since
from shop.documents.estimate import estimate_html
from shop.models import Estimate, Line, Role
from shop.workflow import estimates
from tests.factories import make_person, make_sent, make_workshop, token_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quick_paper")]

LINES = st.lists(
    st.tuples(
        st.sampled_from(["cloth", "strip", "pins"]),
        st.sampled_from(["", "bass"]),
        st.integers(min_value=1, max_value=88),
        st.decimals(min_value=-99, max_value=99, places=2),
    ),
    max_size=8,
)


@given(LINES, LINES)
@hypothesis_settings(max_examples=80)
def test_the_differences_add_up_to_the_difference_of_the_sums(before, after):
    estimate = Estimate(currency="EUR", tax_name="Tax", tax_rate=Decimal(20))

    def lines(rows):
        return [
            Line(estimate=estimate, title=title, section=section, quantity=Decimal(quantity), unit_price=price)
            for title, section, quantity, price in rows
        ]

    old, new = lines(before), lines(after)
    changes = changed_lines(old, new)
    added_up = sum(change.difference for change in changes)
    assert added_up == sum(line.total for line in new) - sum(line.total for line in old)
    assert changed_lines(new, new) == ()
    named = [id(line) for change in changes for line in (change.before, change.after) if line]
    assert len(named) == len(set(named))


def second(sent: Estimate, by) -> Estimate:
    """Version 2: cloth on fewer keys, without pins, with two keytops as work."""
    draft = estimates.estimate_new_version(sent, by=by)
    draft.lines.filter(operation__code="cloth").update(quantity=80)
    draft.lines.filter(operation__code="pins").delete()
    estimates.line_add(draft, estimates.DraftLine("tops", Decimal(2)), by=by)
    return Estimate.objects.with_lines().get(pk=draft.pk)


def test_each_option_says_what_was_added_taken_out_and_changed():
    owner = make_person(role=Role.OWNER)
    sent = make_sent(by=owner)
    changes = changes_since(second(sent, owner))
    assert [one.after.option.letter for one in changes.options] == ["A", "B", "C"]
    for one in changes.options:
        kinds = {
            (row.line.operation.code, row.before is not None, row.after is not None, row.difference)
            for row in one.lines
        }
        assert kinds == {
            ("cloth", True, True, Decimal("-34.00")),  # 8 keys at 4.25 fewer
            ("pins", True, False, Decimal("-77.00")),
            ("tops", False, True, Decimal("21.00")),  # 2 at 10 minutes and 0.50
        }
        assert one.difference == Decimal("-108.00")  # -90.00 and 20 % of it
    assert not changes.extras


def test_a_first_version_and_an_unchanged_copy_have_nothing_to_tell():
    owner = make_person(role=Role.OWNER)
    sent = make_sent(by=owner)
    assert changes_since(Estimate.objects.with_lines().get(pk=sent.pk)) is None
    copy = estimates.estimate_new_version(sent, by=owner)
    assert not changes_since(Estimate.objects.with_lines().get(pk=copy.pk)).any


def test_new_and_gone_options_and_another_allowance_are_named():
    owner = make_person(role=Role.OWNER)
    sent = make_sent(by=owner)
    draft = estimates.estimate_new_version(sent, by=owner)
    estimates.option_remove(draft, draft.options.get(letter="C").pk, by=owner)
    Estimate.objects.filter(pk=draft.pk).update(allowance_keys=2)
    changes = changes_since(Estimate.objects.with_lines().get(pk=draft.pk))
    assert [option.title for option in changes.gone] == ["All new buttons"]
    assert changes.allowance
    draft.options.filter(letter="A").update(title="Felt only", letter="Z")
    changes = changes_since(Estimate.objects.with_lines().get(pk=draft.pk))
    assert [one.before is None for one in changes.options] == [False, True]


def test_against_an_agreed_version_only_what_was_agreed_counts():
    owner = make_person(role=Role.OWNER)
    sent = make_sent(by=owner)
    estimates.estimate_accept(sent, option="B", name="Ilse", extras=[line.pk for line in sent.extras])
    sent.refresh_from_db()
    found = [estimates.DraftLine("repair", Decimal(3), section="keys 1–3", unit_price=Decimal(8))]
    draft = estimates.estimate_revise(sent, found=found, intro="Found.", by=owner)
    changes = changes_since(Estimate.objects.with_lines().get(pk=draft.pk))
    (one,) = changes.options
    assert [(row.before, row.after.section) for row in one.lines] == [(None, "keys 1–3")]
    assert one.difference == Decimal("28.80")
    assert not changes.gone


def test_owner_client_and_paper_see_the_same_changes(client):
    make_workshop()
    owner = make_person(role=Role.OWNER)
    client.force_login(owner)
    sent = make_sent(by=owner)
    draft = second(sent, owner)
    drafted = client.get(draft.get_absolute_url()).content.decode()
    estimates.estimate_send(draft, to="ilse@example.org", by=owner)
    new = Estimate.objects.with_lines().select_related("job__client").get(pk=draft.pk)
    pages = [
        drafted,
        client.get(new.get_absolute_url()).content.decode(),
        client.get(reverse("estimate_answer", args=[token_of(new)])).content.decode(),
        estimate_html(new),
    ]
    for page in pages:
        part = page.split('id="changes"')[1].split("</section>")[0]
        assert "What changed since version 1" in part
        assert part.count("−108.00") == 3
        assert part.count("taken out") == 3
    assert 'id="changes"' not in client.get(sent.get_absolute_url()).content.decode()
