"""What happened, in sentences: one entry a slug, the rest of a sentence that begins with who did it.

Add yours where your part's are. Details are named as record() got them; those listed in _WORDS are turned into
words first (a stage's slug into its title), so write %(stage)s and get "Arrival check".
"""

from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from django.core.exceptions import FieldDoesNotExist
from django.utils.dateparse import parse_date, parse_datetime
from django.utils.formats import date_format
from django.utils.functional import Promise
from django.utils.timezone import localtime
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from shop.models import STAGE_TITLES, Client, Event, Instrument, Job, Operation, Workshop

EVENT_WORDS: dict[str, str | Promise] = {
    # the counter
    "client_added": _("took down a new client"),
    "client_changed": _("changed the client: %(fields)s"),
    "client_erased": _("erased a client, sets: %(sets)s%(until)s"),
    "papers_erased": _("erased the papers that were kept of a client"),
    "instrument_changed": _("changed the instrument: %(fields)s"),
    "instrument_moved": _("logged the instrument in for another owner than before"),
    "job_logged_in": _("logged the set in, boxes: %(boxes)s"),
    "job_changed": _("changed what arrived: %(changes)s"),
    "promise_changed": _("changed the promise from %(before)s to %(after)s%(reason)s"),
    "job_counted": _("counted the set in: %(keys)s keys, boxes: %(boxes)s"),
    "job_counted_again": _("counted the set again: %(keys)s keys, boxes: %(boxes)s"),
    "job_went_away": _("sent the set away to %(place)s: %(keys)s keys, boxes: %(boxes)s%(note)s"),
    "job_came_back": _("took the set back from %(place)s: %(keys)s keys, boxes: %(boxes)s%(note)s"),
    "job_arrived": _("counted the set in at %(place)s: %(keys)s keys, boxes: %(boxes)s%(note)s"),
    "branch_added": _("added the branch %(branch)s"),
    "branch_changed": _("changed the branch %(branch)s: %(fields)s"),
    "count_differed": _(
        "counted %(keys)s keys and %(boxes)s boxes; there had to be %(keys_logged)s and %(boxes_logged)s"
    ),
    "compass_set": _("wrote down the keys: %(count)s from %(first)s, missing: %(missing)s, broken: %(broken)s"),
    "caul_used": _("noted the final caul used: %(rail)s rail, %(width)s"),
    "drawing_made": _("made drawing %(version)s of the buttons"),
    "comeback_recorded": _("wrote down that %(keys)s of its keys came back: %(cause)s"),
    "comeback_corrected": _("corrected what came back: %(keys)s of its keys, %(cause)s"),
    "compass_changed": _("changed the keys: %(count)s from %(first)s, missing: %(missing)s, broken: %(broken)s"),
    "guide_changed": _("changed how we do it: %(stage)s"),
    "material_low": _("said that it runs low: %(title)s"),
    "material_there": _("said that there is enough again: %(title)s"),
    "feed_made": _("made a calendar link: %(title)s"),
    "feed_withdrawn": _("withdrew a calendar link: %(title)s"),
    "workshop_changed": _("changed the workshop's settings: %(fields)s"),
    "person_added": _("added a person"),
    "person_changed": _("changed a person"),
    "person_deactivated": _("closed a person's access"),
    "person_reactivated": _("opened a person's access again"),
    "password_set": _("set a new password for a person"),
    "session_ended": _("signed a person out on one device"),
    "sessions_ended": _("signed a person out everywhere"),
    "sign_ins_slowed": _("let one network wait: many wrong names and passwords came from it"),
    "name_slowed": _("let one name wait in new places: many wrong passwords came for it from elsewhere"),
    "second_factor_added": _("set up a second step of signing in"),
    "second_factor_removed": _("took a second step of signing in off"),
    "second_factor_demanded": _("asked every owner for a second step of signing in"),
    "second_factor_left_free": _("left the second step of signing in to every owner"),
    "quick_pin_set": _("chose a PIN for shared tablets"),
    "quick_pin_removed": _("took the PIN for shared tablets off"),
    "recovery_code_used": _("signed in with a recovery code; left: %(left)s"),
    "recovery_codes_renewed": _("made new recovery codes"),
    "shop_opened": _("opened the workshop"),
    # the route
    "stage_begun": _("began: %(stage)s%(note)s"),
    "stage_added": _("added a step: %(stage)s%(words)s, because “%(reason)s”"),
    "stage_finished": _("finished: %(stage)s%(note)s"),
    "stage_skipped": _("left out: %(stage)s, because “%(reason)s”"),
    "job_sent_back": _("sent the set back to: %(stage)s, because “%(reason)s”"),
    "job_held": _("put the set on hold: %(reason)s"),
    "job_released": _("took the set off hold, which was for: %(reason)s"),
    "job_left": _("handed the set over: %(keys)s keys, boxes: %(boxes)s"),
    "stage_put_down": _("put down: %(stage)s%(note)s"),
    "stage_taken_up": _("went on with: %(stage)s"),
    "hours_booked": _("wrote down %(minutes)s minutes of work: %(stage)s"),
    "hours_corrected": _("put right the time of %(whose)s: %(minutes)s minutes, not %(was)s: %(stage)s"),
    "keys_done": _("had %(keys)s keys done: %(stage)s"),
    # the shelf
    "material_added": _("added to the shelf: %(title)s"),
    "material_changed": _("changed on the shelf: %(title)s"),
    "material_used": _("used %(material)s, lot %(code)s"),
    "lot_added": _("put lot %(code)s of %(material)s on the shelf"),
    "lot_found_bad": _("found lot %(code)s of %(material)s bad"),
    # prices, estimates, letters
    "price_changed": _("changed the price list, %(code)s: %(changes)s%(starts_on)s"),
    "price_dropped": _("took back a price that was to come, %(code)s%(starts_on)s"),
    "tax_class_added": _("added a class of tax: %(tax)s"),
    "tax_class_changed": _("changed a class of tax: %(tax)s"),
    "tax_class_removed": _("took a class of tax off the list: %(tax)s"),
    "estimate_drafted": _("began to write estimate %(estimate)s, version %(version)s"),
    "estimate_discarded": _("threw away the draft of %(estimate)s, version %(version)s"),
    "estimate_sent": _("sent estimate %(estimate)s, version %(version)s"),
    "estimate_seen": _("opened estimate %(estimate)s, version %(version)s"),
    "estimate_accepted": _("%(taken_down)s to option %(option)s of %(estimate)s, version %(version)s"),
    "estimate_declined": _("%(taken_down)s to %(estimate)s, version %(version)s"),
    "allowance_used": _(
        "went on within the allowance of %(estimate)s, version %(version)s: %(keys)s more keys, %(sum)s %(currency)s"
    ),
    "found_left": _("went on with what was agreed although stripping found more: %(reason)s"),
    "estimate_reminded": _("reminded the client of %(estimate)s, version %(version)s"),
    "estimate_withdrawn": _("withdrew %(estimate)s, version %(version)s: %(reason)s"),
    "question_asked": _("asked a question about %(estimate)s"),
    "question_answered": _("answered a question about %(estimate)s"),
    "deposit_received": _("received the deposit on %(estimate)s"),
    "payment_received": _("took %(payment)s: %(amount)s %(currency)s"),
    "payment_returned": _("paid back %(amount)s %(currency)s (%(payment)s), because “%(reason)s”"),
    "payment_corrected": _("took back %(corrected)s, written down wrongly: %(reason)s"),
    "bill_drafted": _("began to write a bill"),
    "bill_discarded": _("threw away the draft of a bill"),
    "bill_issued": _("issued bill %(bill)s over %(gross)s %(currency)s"),
    "bill_cancelled": _("cancelled bill %(bill)s by credit note %(credit)s, because “%(reason)s”"),
    "bill_sent": _("sent %(bill)s"),
    "minutes_learned": _("took over the minutes that the bench has needed: %(codes)s"),
    "link_sent_again": _("sent a new link to %(estimate)s, version %(version)s"),
    "link_withdrawn": _("withdrew the link to %(estimate)s, version %(version)s"),
    "parcel_made": _("made a parcel to take away: %(what_of)s"),
    "letter_tried_again": _("tried to send a letter again"),
    # checks, photos, lists of the bench
    "check_begun": _("began a check: %(kind)s"),
    "check_brought": _("brought in readings of %(day)s from a file: %(kind)s"),
    "check_changed": _("changed what stands at the head of a check: %(kind)s"),
    "check_closed": _("closed a check: %(kind)s, %(read)s keys read%(unread)s"),
    "check_reopened": _("opened a check again: %(kind)s, because “%(reason)s”"),
    "check_released": _(
        "let the set go although not every key is proved (fail: %(failing)s%(unread)s), because “%(reason)s”"
    ),
    "share_made": _("made a link to the readings"),
    "share_withdrawn": _("withdrew a link to the readings"),
    "check_discarded": _("threw away a check begun by mistake: %(kind)s"),
    "photo_added": _("added a photo%(key)s"),
    "gauge_added": _("added a measuring instrument: %(name)s"),
    "gauge_changed": _("changed a measuring instrument: %(name)s"),
    "finding_added": _("added to the list of findings: %(code)s"),
    "finding_changed": _("changed the list of findings: %(code)s"),
    # the advice
    "decision_recorded": _("decided between cloth and buttons%(overruled)s"),
    "assumptions_changed": _("changed what the advice assumes: %(names)s"),
    "sections_changed": _("moved the sections of the keyboard"),
    # bought parts
    "part_added": _("entered a bought part: %(part)s"),
    "part_changed": _("put a bought part's figures right: %(part)s"),
}


def _stage(value: Any) -> str:
    return str(STAGE_TITLES.get(value, value))


def _moment(value: Any) -> str:
    if not value:
        return gettext("none")
    moment = parse_datetime(str(value)) if "T" in str(value) else None
    if moment is not None:
        return date_format(localtime(moment), "DATETIME_FORMAT")
    day = parse_date(str(value))
    return date_format(day, "DATE_FORMAT") if day else str(value)


def _field(name: Any) -> str:
    for model in (Job, Client, Instrument, Workshop, Operation):
        try:
            return str(model._meta.get_field(str(name)).verbose_name)  # type: ignore[union-attr]
        except FieldDoesNotExist:
            continue
    return str(name)


def _list(values: Any) -> str:
    if isinstance(values, list):
        return ", ".join(str(value) for value in values) or gettext("none")
    return str(values)


def _fields(names: Any) -> str:
    return _list([_field(name) for name in names]) if isinstance(names, list) else str(names)


def _changes(changes: Any) -> str:
    """[["boxes", "1", "2"], ["damage"]] -> "boxes 1 → 2, damage on arrival": long texts are named, not quoted."""
    parts = []
    for change in changes if isinstance(changes, list) else []:
        name, *values = change
        parts.append(" ".join([_field(name), " → ".join(_value(value) for value in values)]).strip())
    return ", ".join(parts)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return gettext("yes") if value else gettext("no")
    return "–" if value is None else str(value)


def _minutes(value: Any) -> str:
    """Whole minutes: how a spell was divided among hands is no matter of seconds."""
    try:
        return f"{Decimal(str(value)):.0f}"
    except InvalidOperation:
        return str(value)


def _added(value: Any) -> str:
    return f" ({value})" if value else ""


def _check_kind(kind: Any) -> str:
    """A check is named like its stage; a visit has none."""
    return gettext("at a visit") if kind == "visit" else str(STAGE_TITLES.get(f"{kind}_check", kind))


def _unread(keys: Any) -> str:
    return gettext(", %(count)d not read") % {"count": len(keys)} if isinstance(keys, list) and keys else ""


def _of_key(key: Any) -> str:
    return gettext(" of key %(key)s") % {"key": key} if key else ""


def _from_day(value: Any) -> str:
    return gettext(", from %(day)s") % {"day": _moment(value)} if value else ""


_WORDS: dict[str, Callable[[Any], str]] = {
    "stage": _stage,
    "fields": _fields,
    "changes": _changes,
    "missing": _list,
    "broken": _list,
    "before": _moment,
    "cause": lambda cause: str(cause).replace("_", " "),
    "minutes": _minutes,
    "after": _moment,
    "codes": _list,
    "since": _moment,
    "note": _added,
    "words": _added,
    "unread": _unread,
    "starts_on": _from_day,
}
# Where a detail means something else than elsewhere.
_SPECIAL: dict[tuple[str, str], Callable[[Any], str]] = {
    ("promise_changed", "reason"): _added,
    ("photo_added", "key"): _of_key,
    ("check_released", "failing"): lambda keys: str(keys) or gettext("none"),
    ("decision_recorded", "overruled"): lambda against: gettext(", against the advice") if against else "",
    ("assumptions_changed", "names"): lambda names: _list(names).replace("_", " "),
    **{
        (f"check_{what}", "kind"): _check_kind
        for what in ("begun", "brought", "changed", "closed", "reopened", "discarded")
    },
    ("hours_corrected", "was"): _minutes,
    ("client_erased", "until"): lambda day: gettext(", papers kept until %(day)s") % {"day": day} if day else "",
    ("estimate_accepted", "taken_down"): lambda by_us: gettext("took down a yes") if by_us else gettext("said yes"),
    ("caul_used", "width"): lambda width: f"{width / 1000:.3f} mm",
    ("caul_used", "rail"): lambda rail: gettext("balance") if rail == "balance" else gettext("front"),
    ("estimate_declined", "taken_down"): lambda by_us: gettext("took down a no") if by_us else gettext("said no"),
}


class _Details(dict):
    """Details in words; one that is not there is an empty word, so that an old event never breaks a page."""

    def __missing__(self, key: str) -> str:
        return ""


def sentence(event: Event) -> str:
    """What somebody did, without who: "finished: Arrival check". Unknown slugs are shown as they are."""
    words = EVENT_WORDS.get(event.what)
    if words is None:
        return event.what.replace("_", " ")
    details: Mapping[str, Any] = event.details if isinstance(event.details, dict) else {}
    shown = {
        name: (_SPECIAL.get((event.what, name)) or _WORDS.get(name) or str)(value) for name, value in details.items()
    }
    return str(words) % _Details(shown)
