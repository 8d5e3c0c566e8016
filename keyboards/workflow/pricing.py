"""A decision becomes the draft of an estimate: up to three ways, each itemised by operation and section. And what
stripping found is held against what was agreed: within the allowance, or a revised estimate."""

import datetime
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import accumulate

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from keyboards import advising, pictures
from keyboards.core import choice
from keyboards.core.advice import Advice
from keyboards.core.keys import format_keys
from keyboards.models import Check, CheckKind, Compass, Decision, Finding, KeyReading
from shop.core import money
from shop.models import ClientKind, Estimate, EstimateState, Job, Line, LineKind, Operation, Person, Workshop
from shop.workflow import stages
from shop.workflow.estimates import (
    ALLOWANCE_CODE,
    DraftLine,
    DraftOption,
    allowance_use,
    estimate_draft,
    estimate_revise,
    price_of,
)
from shop.workflow.events import record
from shop.workflow.refusal import Refused

# What every way holds, and what a set may need besides: operation -> findings that ask for it.
COMMON = ("pins", "ease", "final")
EXTRAS: Mapping[str, tuple[str, ...]] = {
    "holes": ("hole_loose", "hole_oval", "hole_split"),
    "leads": ("lead_oxide", "lead_swollen", "lead_loose"),
    "tops": ("top_loose", "top_chipped", "top_missing"),
    "sticks": ("stick_broken", "stick_cracked"),
}
NEW_KEY = "new_key"
_SEVERE = 2
# Reasons that forbid cloth over a button outright. Worn wood may be offered with a warning, a cracked button not.
_UNSAFE = {"cracked", "cover", "repaired_before", "loose"}
# With this chance no more keys than the allowance turn out damaged under the cloth.
_SURE = 0.90
# So much of the keys that look sound may hide torn wood under their cloth. An estimate.
_ROUGHLY = 0.10
_PHOTOS = 6
_CODES = ("strip", "repair_setup", "repair", "button_setup", "button_single", "button_batch", "cloth")


@dataclass(frozen=True)
class _Way:
    """One way for the whole set: an option a section, its lines and what they come to before tax."""

    options: tuple[str, ...]
    lines: tuple[DraftLine, ...]
    price: Decimal
    loose: int
    new_buttons: int
    lined: int
    chosen: bool


def _where(section: Mapping) -> str:
    return f"{section['title']} {section['first']}–{section['last']}"


def _lines(sections: Sequence[Mapping], options: Sequence[str]) -> tuple[DraftLine, ...]:
    """The work of one option a section. What is done in every section stands once, for the whole set."""
    lines = []
    for code in _CODES:
        here = [
            (section, Decimal(section["work"][option][code]))
            for section, option in zip(sections, options, strict=True)
            if Decimal(section["work"][option].get(code, 0))
        ]
        if len(here) == len(sections):
            lines.append(DraftLine(code, sum((quantity for _section, quantity in here), Decimal(0))))
        else:
            lines += [DraftLine(code, quantity, section=_where(section)) for section, quantity in here]
    return tuple(lines)


def _count(pairs: Sequence[tuple[Mapping, str]], *codes: str) -> int:
    return sum(int(Decimal(section["work"][option].get(code, 0))) for section, option in pairs for code in codes)


def _way(sections: Sequence[Mapping], options: Sequence[str], prices: Mapping[str, Decimal], *, chosen: bool) -> _Way:
    lines = _lines(sections, options)
    pairs = list(zip(sections, options, strict=True))
    currency = Workshop.ours().currency
    return _Way(
        options=tuple(options),
        lines=lines,
        price=sum(
            (money.line_total(line.quantity, prices.get(line.code, Decimal(0)), currency) for line in lines), Decimal(0)
        ),
        loose=sum(int(section.get("loose", {}).get(option, 0)) for section, option in pairs),
        new_buttons=_count(pairs, "button_single", "button_batch"),
        lined=_count(pairs, "repair"),
        chosen=chosen,
    )


def _same_sections(advice: Advice, sections: Sequence[Mapping]) -> bool:
    mine = [(section["first"], section["last"]) for section in sections]
    return mine == [(section.first, section.last) for section in advice.sections]


def _cheapest(advice: Advice, sections: Sequence[Mapping], prices: Mapping[str, Decimal]) -> list[str]:
    """In each section what costs the client least and may be offered: never cloth over a button that is unsafe."""
    known = _same_sections(advice, sections)
    options = []
    for index, section in enumerate(sections):
        costs = {}
        for option in choice.OPTIONS:
            unsafe = False
            if known:
                row = advice.sections[index].option(option)
                unsafe = row is not None and bool(set(row.against) & _UNSAFE)
            elif option == choice.RECLOTHE and section["failing"]:
                unsafe = True  # the sections have moved since: why they fail is not known any more
            if not unsafe:
                work = section["work"][option].items()
                costs[option] = sum((Decimal(count) * prices.get(code, Decimal(0)) for code, count in work), Decimal(0))
        options.append(min(costs, key=lambda option: costs[option]) if costs else section["chosen"])
    return options


def _ways(decision: Decision, advice: Advice, prices: Mapping[str, Decimal]) -> list[_Way]:
    """What was decided, what costs least, all new buttons: those that differ, the cheapest first."""
    sections = decision.sections
    every = [
        ([section["chosen"] for section in sections], True),
        (_cheapest(advice, sections, prices), False),
        ([choice.RENEW_SECTION] * len(sections), False),
    ]
    ways: list[_Way] = []
    for options, chosen in every:
        way = _way(sections, options, prices, chosen=chosen)
        if all(way.lines != other.lines for other in ways):
            ways.append(way)
    return sorted(ways, key=lambda way: (way.price, not way.chosen))


def _title(options: Sequence[str]) -> str:
    kinds = set(options)
    if kinds == {choice.RENEW_SECTION}:
        return _("All new buttons")
    told = [_("New cloth")]
    if choice.RECLOTHE_WITH_REPAIRS in kinds:
        told.append(_("torn mortises lined"))
    sections = list(options).count(choice.RENEW_SECTION)
    whole = ngettext("in %(n)d section", "in %(n)d sections", sections) % {"n": sections}
    if choice.RENEW_FAILING in kinds and sections:
        told.append(_("new buttons where they fail and %(in_sections)s") % {"in_sections": whole})
    elif choice.RENEW_FAILING in kinds:
        told.append(_("new buttons where they fail"))
    elif sections:
        told.append(_("new buttons %(in_sections)s") % {"in_sections": whole})
    return ", ".join(told)


def _titles(ways: Sequence[_Way], sections: Sequence[Mapping]) -> list[str]:
    """What each way is called; those of the same kind of work name the sections it is done in."""
    titles = [_title(way.options) for way in ways]
    told = []
    for way, title in zip(ways, titles, strict=True):
        pairs = zip(sections, way.options, strict=True)
        places = ", ".join(section["title"] for section, option in pairs if option != choice.RECLOTHE)
        told.append(f"{title}: {places}" if titles.count(title) > 1 else title)
    return told


def _subtitle(way: _Way, sections: Sequence[Mapping]) -> str:
    """Where which kind of work is done; "all 88 keys" where one kind is done everywhere."""

    def where(*options: str) -> list[str]:
        return [section["title"] for section, option in zip(sections, way.options, strict=True) if option in options]

    if len(set(way.options)) == 1:
        keys = sum(int(section["keys"]) for section in sections)
        return ngettext("%(keys)d key", "all %(keys)d keys", keys) % {"keys": keys}
    told = []
    if renewed := where(choice.RENEW_SECTION, choice.RENEW_FAILING):
        told.append(_("new buttons: %(sections)s") % {"sections": ", ".join(renewed)})
    if lined := where(choice.RECLOTHE_WITH_REPAIRS):
        told.append(_("mortises lined: %(sections)s") % {"sections": ", ".join(lined)})
    return "; ".join(told)


def _lined(count: int) -> str:
    return ngettext("%(count)d mortise lined", "%(count)d mortises lined", count) % {"count": count}


def _renewed(count: int) -> str:
    text = ngettext("%(count)d new button, angles copied", "%(count)d new buttons, angles copied", count)
    return text % {"count": count}


def _points(way: _Way, ways: Sequence[_Way], workshop: Workshop) -> tuple[str, ...]:
    """What a way means, in sentences made of its own figures."""
    chosen = next(one for one in ways if one.chosen)
    points = []
    if len(ways) > 1 and way is ways[0]:
        points.append(_("lowest price"))
    if way.loose:
        points.append(
            ngettext("about %(keys)d key would stay loose", "about %(keys)d keys would stay loose", way.loose)
            % {"keys": way.loose}
        )
        points.append(ngettext("we cannot guarantee this one", "we cannot guarantee these", way.loose))
    if way.lined:
        points.append(_lined(way.lined))
    if way.new_buttons:
        points.append(_renewed(way.new_buttons))
    if (more := way.new_buttons - chosen.new_buttons) > 0:
        points.append(
            ngettext("%(count)d button more than we advise", "%(count)d buttons more than we advise", more)
            % {"count": more}
        )
    if workshop.guarantee_months:
        years, months = divmod(workshop.guarantee_months, 12)
        if months:
            text = ngettext("guarantee %(count)d month", "guarantee %(count)d months", workshop.guarantee_months)
            text %= {"count": workshop.guarantee_months}
        else:
            text = ngettext("guarantee %(count)d year", "guarantee %(count)d years", years) % {"count": years}
        points.append(_("for the others: %(guarantee)s") % {"guarantee": text} if way.loose else text)
    return tuple(points)


# --- what may turn up, and what else the set needs ------------------------------------------------


def _allowance(decision: Decision, advice: Advice) -> int:
    """How many more keys than counted may prove damaged once the cloth is out, in sections that keep their buttons.

    For each such section the number that the readings do not exceed with a chance of nine in ten, less those counted
    already; but never less than a tenth of the keys that look sound, since what the cloth hides is in no reading.
    None where the readings were taken with the cloth out.
    """
    if decision.basis.kind == CheckKind.STRIPPED:
        return 0
    known = _same_sections(advice, decision.sections)
    keys = 0
    for index, section in enumerate(decision.sections):
        if section["chosen"] == choice.RENEW_SECTION:
            continue
        sound = int(section["keys"]) - int(section["failing"])
        distribution = advice.sections[index].distribution if known else ()
        count = next((count for count, chance in enumerate(accumulate(distribution)) if chance >= _SURE), 0)
        keys += min(max(count - int(section["failing"]), round(sound * _ROUGHLY)), sound)
    return keys


def _extras(rows: Sequence[KeyReading], missing: Sequence[int], prices: Mapping[str, Decimal]) -> list[DraftLine]:
    """Work that findings and missing keys ask for beside cloth and buttons: the client adds it or not."""
    lines = []
    wanted = {
        code: [row.key for row in rows if any(row.findings.get(name, 0) >= _SEVERE for name in findings)]
        for code, findings in EXTRAS.items()
    }
    for code, keys in {**wanted, NEW_KEY: list(missing)}.items():
        if keys and code in prices:
            where = ngettext("key %(keys)s", "keys %(keys)s", len(keys)) % {"keys": format_keys(keys)}
            lines.append(DraftLine(code, Decimal(len(keys)), section=where[:80], kind=LineKind.EXTRA))
    return lines


# --- in plain words ------------------------------------------------------------------------------


def _intro(decision: Decision, rows: Sequence[KeyReading], total: int, advice: Advice) -> str:
    """What was found and what follows from it, for somebody who has never seen a key from below. A technician is told
    which keys."""
    read = sum(row.grade is not None for row in rows)
    stripped = decision.basis.kind == CheckKind.STRIPPED
    when = _("with the old cloth out") if stripped else _("on arrival")
    if read == total:
        text = ngettext("We read the one key %(when)s.", "We read all %(total)d keys %(when)s.", total)
        first = text % {"total": total, "when": when}
    else:
        first = _("We read %(read)d of %(total)d keys %(when)s and judge the others by these.") % {
            "read": read,
            "total": total,
            "when": when,
        }
    counts = {grade: sum(row.grade == grade for row in rows) for grade in range(4)}
    told = []
    if counts[1]:
        told.append(ngettext("on %(n)d the cloth is worn", "on %(n)d the cloth is worn", counts[1]) % {"n": counts[1]})
    if counts[2]:
        text = ngettext("on %(n)d the wood is damaged", "on %(n)d the wood is damaged", counts[2])
        told.append(text % {"n": counts[2]})
    if counts[3]:
        text = ngettext("on %(n)d the button is spent", "on %(n)d the buttons are spent", counts[3])
        told.append(text % {"n": counts[3]})
    if counts[0]:
        told.append(ngettext("%(n)d is sound", "%(n)d are sound", counts[0]) % {"n": counts[0]})
    if told:
        first += " " + _("Of these: %(list)s.") % {"list": ", ".join(told)}
    if decision.job.client.kind != ClientKind.TECHNICIAN:
        first += "\n" + _(
            "A mortise is the slot, lined with cloth, in which a key moves on its pin; the button is the block of wood "
            "glued to the key that one of the two is cut in."
        )
    looked = [row.key for row in rows if row.grade is not None]
    names: list[tuple[int, ...]] = [()] * len(decision.sections)
    if decision.job.client.kind == ClientKind.TECHNICIAN and _same_sections(advice, decision.sections):
        names = [section.failing for section in advice.sections]
    told = ["\n".join(_section_told(*pair, looked) for pair in zip(decision.sections, names, strict=True))]
    return "\n\n".join([first, *told, *_besides(decision.job, rows)])


def _besides(job: Job, rows: Sequence[KeyReading]) -> list[str]:
    """Keys that did not come and broken sticks: no option names them, so the client hears of them here."""
    compass = Compass.objects.get(job=job)
    told = []
    if gone := compass.missing:
        text = ngettext("Key %(keys)s did not come.", "Keys %(keys)s did not come.", len(gone))
        told.append(text % {"keys": format_keys(gone)})
    catalogue = {row.code: row for row in Finding.objects.all()}
    if sticks := advising.sticks_found(rows, catalogue, compass.broken):
        told.append(
            _("In none of these options unless a line names it: %(what)s.") % {"what": advising.named_findings(sticks)}
        )
    return [" ".join(told)] if told else []


def _section_told(section: Mapping, names: Sequence[int], looked: Sequence[int]) -> str:
    """looked: the keys that were read; where some were not, how many fail is judged by those that were. names: the keys
    that fail, where they are to be named."""
    name = _("%(title)s, keys %(first)d to %(last)d") % {
        "title": section["title"],
        "first": section["first"],
        "last": section["last"],
    }
    failing, keys = int(section["failing"]), int(section["keys"])
    read = sum(section["first"] <= key <= section["last"] for key in looked)
    if failing and read < keys:
        state = ngettext(
            "judged by the %(read)d we read, about %(failing)d of %(keys)d would not hold with new cloth alone",
            "judged by the %(read)d we read, about %(failing)d of %(keys)d would not hold with new cloth alone",
            failing,
        ) % {"read": read, "failing": failing, "keys": keys}
    elif failing:
        state = ngettext(
            "%(failing)d of %(keys)d would not hold with new cloth alone",
            "%(failing)d of %(keys)d would not hold with new cloth alone",
            failing,
        ) % {"failing": failing, "keys": keys}
        if len(names) == failing:
            state += f" ({format_keys(names)})"
    else:
        state = _("the wood is good enough for new cloth")
    left = ngettext(
        "we advise new cloth, and it would stay loose", "we advise new cloth, and they would stay loose", failing
    )
    then = {
        choice.RECLOTHE: left if failing else _("we advise new cloth"),
        choice.RECLOTHE_WITH_REPAIRS: _("we advise new cloth and to line the torn mortises"),
        choice.RENEW_FAILING: _("we advise new cloth, and new buttons where they fail"),
        choice.RENEW_SECTION: _("we advise new buttons on all of them"),
    }[section["chosen"]]
    return f"{name}: {state}; {then}."


def estimate_from_decision(decision: Decision, *, by: Person, at: datetime.datetime | None = None) -> Estimate:
    """Drafts the estimate of a decision: what was decided as our advice, beside it what costs least and all new
    buttons where those differ, sorted by price; common work; extras that findings ask for; an allowance.

    Raises Refused where the job has a draft already, or the price list lacks an operation.
    """
    at = at or timezone.now()
    job, workshop = decision.job, Workshop.ours()
    operations = {row.code: row for row in Operation.objects.in_use().as_of(timezone.localdate(at))}
    prices = {code: price_of(row, workshop) for code, row in operations.items()}
    advice = advising.advise(job, decision.basis)
    rows = list(decision.basis.keys.all())
    missing = Compass.objects.get(job=job).missing
    ways = _ways(decision, advice, prices)
    common = [DraftLine(code, Decimal(1)) for code in COMMON if code in operations]
    return estimate_draft(
        job=job,
        options=[
            DraftOption(
                title=title,
                subtitle=_subtitle(way, decision.sections),
                points=_points(way, ways, workshop),
                advised=way.chosen,
                lines=way.lines,
            )
            for way, title in zip(ways, _titles(ways, decision.sections), strict=True)
        ],
        common=[*common, *_extras(rows, missing, prices)],
        intro=_intro(decision, rows, sum(int(section["keys"]) for section in decision.sections), advice),
        allowance_keys=_allowance(decision, advice),
        photos=[photo.op for photo in pictures.photos_for(job) if photo.key is not None][:_PHOTOS],
        by=by,
        at=at,
        decision=decision.pk,
    )


# --- after stripping -----------------------------------------------------------------------------

_RANGE = re.compile(r"(\d+) ?[–-] ?(\d+)$")


@dataclass(frozen=True)
class Found:
    """What a closed stripped check found beyond what the client agreed to; keys are numbers in the set.

    lined, renewed: all keys whose wood must be repaired, all that only a new button serves. more_lined, more_renewed:
    those of them that nobody knew of when the estimate was agreed. more: how many linings are in no line yet (fewer
    than more_lined where a sample was priced with damage expected on keys not read).
    """

    check: Check
    estimate: Estimate
    lined: tuple[int, ...]
    renewed: tuple[int, ...]
    more_lined: tuple[int, ...]
    more_renewed: tuple[int, ...]
    more: int

    @property
    def left(self) -> int:
        """Keys the allowance still covers."""
        return self.estimate.allowance_keys - self.estimate.hidden_keys

    @property
    def within(self) -> bool:
        """Whether the allowance covers all of it."""
        return not self.more_renewed and self.more <= self.left

    @property
    def cost(self) -> Decimal:
        """What the linings come to at the allowance's price, before tax."""
        return money.line_total(Decimal(self.more), self.estimate.allowance_price, self.estimate.currency)

    @property
    def sentence(self) -> str:
        """What was found, against what the allowance covers."""
        estimate = self.estimate
        parts = []
        if self.more:
            text = ngettext("%(n)d more key needs wood repairs", "%(n)d more keys need wood repairs", self.more)
            parts.append(text % {"n": self.more})
        if self.more_renewed:
            text = ngettext(
                "%(n)d more key needs a new button", "%(n)d more keys need new buttons", count := len(self.more_renewed)
            )
            parts.append(text % {"n": count})
        covers = _("The allowance covers %(keys)d at %(each)s, %(sum)s together.") % {
            "keys": self.left,
            "each": money.round_money(estimate.allowance_price, estimate.currency),
            "sum": money.line_total(Decimal(self.left), estimate.allowance_price, estimate.currency),
        }
        return _("Stripping found: %(found)s.") % {"found": ", ".join(parts)} + " " + covers


def _keys_of(line: Line, sections: Sequence[Mapping]) -> set[int]:
    """The keys that a line by the section is about. Its words are the owner's to change: the keys named in them, else
    the section named, else the one of as many keys; none where it cannot be told, so that the owner is asked."""
    if ends := _RANGE.search(line.section):
        return set(range(int(ends[1]), int(ends[2]) + 1))
    if not sections:
        return set(range(1, int(line.quantity) + 1))
    named = [section for section in sections if str(section["title"]).casefold() in line.section.casefold()]
    as_many = [section for section in sections if int(section["keys"]) == line.quantity]
    here = list(sections) if not line.section else named or as_many
    if sum(int(section["keys"]) for section in here) != line.quantity:
        return set()
    return {key for section in here for key in range(int(section["first"]), int(section["last"]) + 1)}


def _new_buttons(estimate: Estimate, sections: Sequence[Mapping]) -> tuple[set[int], int]:
    """The keys that agreed lines give new buttons by the section, and how many keys have agreed work singly."""
    covered: set[int] = set()
    singly = 0
    for line in estimate.agreed_work:
        code = line.operation.code if line.operation else ""
        if code == "button_batch":
            covered |= _keys_of(line, sections)
        elif code in (ALLOWANCE_CODE, "button_single") and line.kind != LineKind.HIDDEN:
            singly += int(line.quantity)
    return covered, singly


def found_beyond(job: Job) -> Found | None:
    """What the newest closed stripped check found that was not agreed and that nobody has settled yet, or None.

    Settled is what the allowance was used for, what a yes to an estimate written after the check covers, and what the
    owner left as it is with a reason. Keys that were known to fail when the estimate was written do not count: the
    client chose what becomes of them.
    """
    check = Check.objects.of_kind(CheckKind.STRIPPED).closed().filter(job=job).first()
    estimate = (
        job.estimates.filter(state=EstimateState.ACCEPTED).with_lines().prefetch_related("lines__operation").first()
    )
    if check is None or estimate is None or check.released_by_id or estimate.created_at > check.closed_at:
        return None
    now = advising.advise(job, check)
    decision = Decision.objects.filter(job=job, at__lte=estimate.created_at).select_related("basis").first()
    before = advising.advise(job, decision.basis).keys if decision else ()
    covered, singly = _new_buttons(estimate, decision.sections if decision else ())
    known = {key.key for key in before if key.failing} - covered
    bad = [key for key in now.keys if key.failing and key.key not in covered]
    fresh = [key for key in bad if key.key not in known]
    more_lined = tuple(key.key for key in fresh if not key.renew)
    spare = max(0, singly - len(known))
    found = Found(
        check=check,
        estimate=estimate,
        lined=tuple(key.key for key in bad if not key.renew),
        renewed=tuple(key.key for key in bad if key.renew),
        more_lined=more_lined,
        more_renewed=tuple(key.key for key in fresh if key.renew),
        more=max(0, len(more_lined) - spare - estimate.hidden_keys),
    )
    return found if found.more or found.more_renewed else None


def why_stopped(job: Job) -> str:
    """The sentence that stops the bench after stripping, "" where the work may go on."""
    found = found_beyond(job)
    if found is None:
        return ""
    if found.within:
        return found.sentence + " " + _("The owner goes on within the allowance first.")
    return found.sentence + " " + _("A revised estimate must be agreed before any more work.")


def _named(keys: Sequence[int]) -> str:
    text = ngettext("key %(keys)s", "keys %(keys)s", len(keys)) % {"keys": format_keys(keys)}
    return text if len(text) <= 80 else ngettext("%(n)d key", "%(n)d keys", len(keys)) % {"n": len(keys)}


def allowance_letter(found: Found) -> str:
    """The words that tell the client, for the owner to change."""
    job, estimate, workshop = found.estimate.job, found.estimate, Workshop.ours()
    reach = " · ".join(part for part in (workshop.phone, workshop.email) if part)
    return "\n\n".join(
        (
            _("Dear %(name)s,") % {"name": job.client.contact or job.client.name},
            ngettext(
                "the old cloth is out of your keyboard %(tag)s. %(n)d more key needs its mortise lined (%(keys)s).",
                "the old cloth is out of your keyboard %(tag)s. %(n)d more keys need their mortises lined (%(keys)s).",
                found.more,
            )
            % {"tag": job.tag, "n": found.more, "keys": format_keys(found.more_lined)},
            _(
                "That is within what you agreed to in estimate %(estimate)s: %(n)d at %(each)s, %(sum)s %(currency)s"
                " before tax, %(gross)s with it. We go on with the work; you need do nothing."
            )
            % {
                "estimate": estimate.title,
                "n": found.more,
                "each": money.round_money(estimate.allowance_price, estimate.currency),
                "sum": found.cost,
                "currency": estimate.currency,
                "gross": estimate.with_tax(found.cost),
            },
            "\n".join(part for part in (workshop.name, reach) if part),
        )
    )


@transaction.atomic
def go_on_within(
    job: Job, *, to: str = "", message: str = "", by: Person, at: datetime.datetime | None = None
) -> Estimate:
    """What stripping found is covered by the allowance: it becomes agreed work, the client is told (to: by letter),
    the route goes on. Refused beyond the allowance."""
    job = stages.lock(job)
    found = found_beyond(job)
    if found is None:
        raise Refused(_("Stripping found nothing that is not agreed."))
    if not found.within:
        raise Refused(_("That is more than the allowance covers: a revised estimate must go out first."))
    allowance_use(
        found.estimate, keys=found.more, section=_named(found.more_lined), to=to, message=message, by=by, at=at
    )
    stages.advance(job, "stripped_check", by=by, at=at)
    return found.estimate


@transaction.atomic
def revise(job: Job, *, by: Person, at: datetime.datetime | None = None) -> Estimate:
    """Drafts the next version of what was agreed with what stripping found. The bench stands still until its yes."""
    found = found_beyond(stages.lock(job))
    if found is None:
        raise Refused(_("Stripping found nothing that is not agreed."))
    old = found.estimate
    lines, told = [], []
    if found.more:
        each = old.allowance_price or None
        lines.append(DraftLine(ALLOWANCE_CODE, Decimal(found.more), section=_named(found.more_lined), unit_price=each))
        text = ngettext("%(keys)s needs its mortise lined", "%(keys)s need their mortises lined", len(found.more_lined))
        told.append(text % {"keys": _named(found.more_lined)})
    if found.more_renewed:
        keys = _named(found.more_renewed)
        lines.append(DraftLine("button_single", Decimal(len(found.more_renewed)), section=keys))
        lines.append(DraftLine("button_setup", Decimal(1), section=keys))
        text = ngettext("%(keys)s needs a new button", "%(keys)s need new buttons", len(found.more_renewed))
        told.append(text % {"keys": keys})
    intro = _(
        "The old cloth is out, and under it there was more damage than the allowance of our last estimate covers:"
        " %(found)s. Nothing more is done until you have answered."
    ) % {"found": "; ".join(told)}
    before = _("What we wrote before that, with the old cloth still in:") if old.intro else ""
    words = "\n\n".join(part for part in (intro, before, old.intro) if part)[:4000]
    return estimate_revise(old, found=lines, intro=words, points=_points_now(old, found), by=by, at=at)


def _points_now(estimate: Estimate, found: Found) -> list[str]:
    """The agreed option's sentences, with the counts that hold after stripping."""
    agreed = estimate.agreed
    points = agreed.option.point_list if agreed else []
    counts = [
        (_lined, (ALLOWANCE_CODE,), found.more),
        (_renewed, ("button_single", "button_batch"), len(found.more_renewed)),
    ]
    for told, codes, more in counts:
        work = (line for line in estimate.agreed_work if line.operation and line.operation.code in codes)
        had = int(sum((line.quantity for line in work), Decimal(0)))
        if more:
            points = [told(had + more), *(point for point in points if point != told(had))]
    return points


@transaction.atomic
def leave_found(job: Job, *, reason: str, by: Person, at: datetime.datetime | None = None) -> Check:
    """The work goes on with what was agreed, and what stripping found is left as it is, with a reason: the client said
    no to the revised estimate, or it does not matter."""
    job = stages.lock(job)
    found = found_beyond(job)
    if found is None:
        raise Refused(_("Stripping found nothing that is not agreed."))
    if not reason.strip():
        raise Refused(_("Say why the work goes on all the same."))
    if job.estimates.filter(state__in=(EstimateState.DRAFT, EstimateState.SENT)).exists():
        raise Refused(_("A revised estimate is being written or with the client: withdraw it first."))
    if job.held_since:
        stages.job_release(job, by=by, at=at)
    check = found.check
    check.released_by, check.release_reason = by, reason.strip()[:300]
    check.save(update_fields=["released_by", "release_reason"])
    record("found_left", by=by, job=job, at=at, check=check.pk, reason=check.release_reason)
    stages.advance(job, "stripped_check", by=by, at=at)
    return check
