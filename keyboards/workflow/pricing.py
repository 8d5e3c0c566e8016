"""A decision becomes the draft of an estimate: up to three ways, each itemised by operation and section."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import accumulate

from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from keyboards import advising, pictures
from keyboards.core import choice
from keyboards.core.advice import Advice
from keyboards.core.keys import format_keys
from keyboards.models import CheckKind, Decision, KeyReading
from shop.core import money
from shop.models import Estimate, LineKind, Operation, Person, Workshop
from shop.workflow.estimates import DraftLine, DraftOption, estimate_draft, price_of

# What every way holds, and what a set may need besides: operation -> findings that ask for it.
COMMON = ("pins", "ease", "final")
EXTRAS: Mapping[str, tuple[str, ...]] = {
    "holes": ("hole_loose", "hole_oval", "hole_split"),
    "leads": ("lead_oxide", "lead_swollen", "lead_loose"),
    "tops": ("top_loose", "top_chipped", "top_missing"),
}
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
    if kinds == {choice.RECLOTHE}:
        return _("New cloth")
    if kinds == {choice.RENEW_SECTION}:
        return _("All new buttons")
    if choice.RENEW_SECTION in kinds:
        return _("Cloth and buttons")
    if {choice.RENEW_FAILING, choice.RECLOTHE_WITH_REPAIRS} <= kinds:
        return _("New cloth, mortises lined, new buttons where they fail")
    if choice.RENEW_FAILING in kinds:
        return _("New cloth, new buttons where they fail")
    return _("New cloth, torn mortises lined")


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
        points.append(ngettext("%(count)d mortise lined", "%(count)d mortises lined", way.lined) % {"count": way.lined})
    if way.new_buttons:
        points.append(
            ngettext("%(count)d new button, angles copied", "%(count)d new buttons, angles copied", way.new_buttons)
            % {"count": way.new_buttons}
        )
    if (more := way.new_buttons - chosen.new_buttons) > 0:
        points.append(
            ngettext("%(count)d button more than we advise", "%(count)d buttons more than we advise", more)
            % {"count": more}
        )
    if not way.loose and workshop.guarantee_months:
        years, months = divmod(workshop.guarantee_months, 12)
        if months:
            text = ngettext("guarantee %(count)d month", "guarantee %(count)d months", workshop.guarantee_months)
            points.append(text % {"count": workshop.guarantee_months})
        else:
            points.append(ngettext("guarantee %(count)d year", "guarantee %(count)d years", years) % {"count": years})
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


def _extras(rows: Sequence[KeyReading], prices: Mapping[str, Decimal]) -> list[DraftLine]:
    """Work that findings ask for and that is not part of cloth or buttons: the client adds it or not."""
    lines = []
    for code, findings in EXTRAS.items():
        keys = [row.key for row in rows if any(row.findings.get(name, 0) >= _SEVERE for name in findings)]
        if keys and code in prices:
            where = ngettext("key %(keys)s", "keys %(keys)s", len(keys)) % {"keys": format_keys(keys)}
            lines.append(DraftLine(code, Decimal(len(keys)), section=where[:80], kind=LineKind.EXTRA))
    return lines


# --- in plain words ------------------------------------------------------------------------------


def _intro(decision: Decision, rows: Sequence[KeyReading], total: int) -> str:
    """What was found and what follows from it, for somebody who has never seen a key from below."""
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
    return "\n\n".join([first, "\n".join(_section_told(section) for section in decision.sections)])


def _section_told(section: Mapping) -> str:
    name = _("%(title)s, keys %(first)d to %(last)d") % {
        "title": section["title"],
        "first": section["first"],
        "last": section["last"],
    }
    failing, keys = int(section["failing"]), int(section["keys"])
    if failing:
        state = ngettext(
            "%(failing)d of %(keys)d would not hold with new cloth alone",
            "%(failing)d of %(keys)d would not hold with new cloth alone",
            failing,
        ) % {"failing": failing, "keys": keys}
    else:
        state = _("the wood is good enough for new cloth")
    then = {
        choice.RECLOTHE: _("we advise new cloth"),
        choice.RECLOTHE_WITH_REPAIRS: _("we advise new cloth and to line the torn guides"),
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
    operations = {row.code: row for row in Operation.objects.in_use()}
    prices = {code: price_of(row, workshop) for code, row in operations.items()}
    advice = advising.advise(job, decision.basis)
    rows = list(decision.basis.keys.all())
    ways = _ways(decision, advice, prices)
    common = [DraftLine(code, Decimal(1)) for code in COMMON if code in operations]
    return estimate_draft(
        job=job,
        options=[
            DraftOption(
                title=_title(way.options),
                subtitle=_subtitle(way, decision.sections),
                points=_points(way, ways, workshop),
                advised=way.chosen,
                lines=way.lines,
            )
            for way in ways
        ],
        common=[*common, *_extras(rows, prices)],
        intro=_intro(decision, rows, sum(int(section["keys"]) for section in decision.sections)),
        allowance_keys=_allowance(decision, advice),
        photos=[photo.op for photo in pictures.photos_for(job) if photo.key is not None][:_PHOTOS],
        by=by,
        at=at,
        decision=decision.pk,
    )
