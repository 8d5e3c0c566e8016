"""Hostile and careless input: finds addresses and forms by walking the pages, sends what nobody should send, and says
what gave way.

What must hold for each try: no exception; an answer that is no agreement (a form shown again, a 4xx, an error told
after a redirect) has changed no row; a page that is only read has changed none; every row points at rows that are
there; what was typed never comes back as markup. Each try is undone, so that every one meets the same shop.
"""

import datetime
import hashlib
import random
import re
import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from http.cookies import SimpleCookie
from typing import Any
from urllib.parse import urlencode, urlsplit

from django.contrib.messages import constants
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection, transaction
from django.http import HttpResponse
from django.test import Client
from django.urls import NoReverseMatch, Resolver404, resolve, reverse

from tests import damaged
from tests.test_access import ARGUMENTS, patterns

MARK = "<x-mark>"
SLOW = 10  # s of CPU for one answer
# Rows that a request may leave whatever it comes to: sessions, counted guesses, when a link or a search was used.
NEITHER = {"shop_session", "shop_miss"}
ON_READING = NEITHER | {"shop_event", "shop_link", "keyboards_share", "shop_search", "shop_feed"}
# Where each thing sent is kept for itself, and the answer names the others: assumptions; photos; a count that differs
# from what was written down, which is kept and shouted.
PIECE_BY_PIECE = {"advice", "shop_assumptions", "photo_add", "job_count_in", "job_count", "job_away"}
_WRITES = re.compile(r'\s*(?:INSERT (?:OR \w+ )?INTO|UPDATE|DELETE FROM|REPLACE INTO)\s+"?(\w+)', re.IGNORECASE)

_NUMBERS = [
    *(
        "-1",
        "0",
        "00",
        "1e9",
        "1E400",
        "NaN",
        "Infinity",
        "-Infinity",
        "0x10",
        "1_000",
        "1,5",
        "1.234,5",
        "½",
        "²",
        "٣",
    ),
    *("１２", "−3", "2147483648", "-2147483649", "9223372036854775807", "9223372036854775808", "99999999999999999999"),
    *(
        "123456789012.123456",
        "0.0000001",
        "999999999",
        "9" * 5000,
        "0." + "0" * 400 + "1",
        " 7 ",
        "7\n",
        "--7",
        ".",
        MARK,
    ),
]
_DATES = [
    *(
        "0000-00-00",
        "0001-01-01",
        "9999-12-31",
        "10000-01-01",
        "2026-02-30",
        "1900-01-01",
        "2026-11-25T25:61",
        "2026-W48",
    ),
    *("tomorrow", "0001-01-01T00:00", "9999-12-31T23:59", "２０２６-１１-２５", "1969-12-31", MARK),
]
_TEXTS = [
    "\x00",
    "a\x00b",
    MARK,
    f"\"'>{MARK}{{{{ 7|add:7 }}}}{{% load x %}}",
    "x" * 300,
    "y" * 100_000,
    "a@example.org\r\nBcc: b@example.org",
    "%s %(x)d {0} {x!r}",
    "../../../../etc/passwd",
    "=1+1",
    "\u202eright to left\u202c\ufeff\u200b",
    "é" * 60,
    "\U0001f3b9" * 60,
    " ",
    "\r\n\r\n\t",
    "1-88, 3 5;7",
    "88-1",
    "1-999999999",
    "C5 ♯♭ H9",
    "javascript:alert(1)",
    "//example.org/",
    "null",
    "[]",
    '{"a": [1e999, NaN]}',
    "[" * 3000,
    "on",
]
_BYTES = [b"\xff\xfe\xfa", b"\xed\xa0\x80", b"\xc0\x80", b"\xf4\x90\x80\x80"]
_CHOICES = [
    "",
    "-1",
    "0",
    "1",
    "2",
    "999999",
    "99999999999999999999",
    MARK,
    "None",
    "00000000-0000-4000-8000-000000000000",
]


@dataclass(frozen=True)
class Field:
    """A control of a form as it stands on the page."""

    name: str
    kind: str  # type of an input, select, textarea; "figure" where a number is typed
    value: str = ""
    on: bool = True  # a box or button that is ticked
    options: tuple[str, ...] = ()


@dataclass
class Form:
    """A form of a page, or what htmx sends from it."""

    page: str
    action: str
    method: str
    fields: list[Field] = field(default_factory=list)

    @property
    def name(self) -> str:
        return named(self.action)

    @property
    def shape(self) -> tuple:
        return self.name, self.method, tuple(sorted({re.sub(r"\d+", "0", one.name) for one in self.fields}))


class Page(HTMLParser):
    """Forms, and every address of ours that stands in an attribute."""

    def __init__(self, address: str, html: str) -> None:
        super().__init__()
        self.address, self.forms, self.addresses = address, [], []  # type: ignore[var-annotated]
        self._form: Form | None = None
        self._by_id: dict[str, Form] = {}
        self._loose: list[tuple[str, Field]] = []
        self._select: list[Any] | None = None
        self._area: list[Any] | None = None
        self.feed(html)
        for owner, one in self._loose:
            if owner in self._by_id:
                self._by_id[owner].fields.append(one)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        a = {name: value or "" for name, value in attrs}
        self.addresses += [value for value in a.values() if value.startswith("/") and not value.startswith("//")]
        if a.get("href", "").startswith("?"):
            self.addresses.append(urlsplit(self.address).path + a["href"])
        if tag == "form":
            self._form = Form(self.address, a.get("action") or self.address, a.get("method", "get").lower())
            self.forms.append(self._form)
            self._by_id[a.get("id", "")] = self._form
        if "hx-post" in a and self._form is not None:
            self.forms.append(Form(self.address, a["hx-post"] or self.address, "post", self._form.fields))
        if tag == "button" and a.get("formaction") and self._form is not None:
            self.forms.append(Form(self.address, a["formaction"], "post", self._form.fields))
        name, owner = a.get("name", ""), a.get("form", "")
        if tag == "option" and self._select is not None:
            self._select[2].append(a.get("value", ""))
            if "selected" in a:
                self._select[3] = a.get("value", "")
        if not name:
            return
        if tag == "select":
            self._select = [name, owner, [], None]
        elif tag == "textarea":
            self._area = [name, owner, ""]
        elif tag in ("input", "button"):
            kind = a.get("type", "text" if tag == "input" else "submit")
            if kind in ("text", "number") and (a.get("inputmode") in ("decimal", "numeric") or kind == "number"):
                kind = "figure"
            on = "checked" in a if kind in ("checkbox", "radio") else kind not in ("submit", "file")
            self._add(owner, Field(name, kind, a.get("value", "on" if kind == "checkbox" else ""), on))

    def handle_data(self, data: str) -> None:
        if self._area is not None:
            self._area[2] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None
        elif tag == "select" and self._select is not None:
            name, owner, options, chosen = self._select
            self._add(owner, Field(name, "select", chosen or "", True, tuple(options)))
            self._select = None
        elif tag == "textarea" and self._area is not None:
            name, owner, text = self._area
            self._add(owner, Field(name, "textarea", text))
            self._area = None

    def _add(self, owner: str, one: Field) -> None:
        if owner:
            self._loose.append((owner, one))
        elif self._form is not None:
            self._form.fields.append(one)


def named(address: str) -> str:
    """The name of the view at an address, "" where none is."""
    try:
        return resolve(urlsplit(address).path).url_name or ""
    except Resolver404:
        return ""


@dataclass
class Walk:
    """What a walk found: addresses by name of their view, forms, arguments, names of parameters."""

    addresses: dict[str, list[str]] = field(default_factory=dict)
    forms: list[Form] = field(default_factory=list)
    arguments: list[dict[str, Any]] = field(default_factory=list)
    asked: set[str] = field(default_factory=set)


def walk(visitors: dict[str, Client], starts: list[str], *, each: int, shapes: int) -> Walk:
    """Follows every link and form from the starts as each visitor, at most `each` addresses of a view (those with
    a question mark count by themselves), at most `shapes` forms of the same fields."""
    found, seen = Walk(), set()
    counted: dict[str, int] = {}
    shaped: dict[tuple, int] = {}
    queue = [(start, who) for who in visitors for start in starts]
    while queue:
        address, who = queue.pop(0)
        parts = urlsplit(address)
        name, view = named(address), parts.path
        if not name or (address, who) in seen:
            continue
        seen.add((address, who))
        found.asked |= set(re.findall(r"[?&](\w+)=", address))
        if view not in found.addresses.setdefault(name, []):
            if len(found.addresses[name]) >= each * 3:
                continue
            found.addresses[name].append(view)
            found.arguments.append(resolve(view).kwargs)
        kind = f"{name} {who} {bool(parts.query)}"
        counted[kind] = counted.get(kind, 0) + 1
        if counted[kind] > each:
            continue
        with transaction.atomic():
            answer = visitors[who].get(address)
            transaction.set_rollback(True)
        if answer.status_code in (301, 302):
            queue.append((answer["Location"], who))
        if answer.status_code != 200 or not answer.get("Content-Type", "").startswith("text/html"):
            continue
        page = Page(address, answer.content.decode())
        queue += [(one, who) for one in page.addresses]
        for form in page.forms:
            shaped[form.shape] = shaped.get(form.shape, 0) + 1
            if form.name and shaped[form.shape] <= shapes:
                found.forms.append(form)
                queue.append((form.action, who))
    return found


class Rows:
    """Notes which tables are written to, and tells whether what stands in them has changed since the beginning."""

    def __init__(self) -> None:
        self.written: set[str] = set()
        self._before: dict[str, str] = {}
        with connection.cursor() as cursor:
            for table in connection.introspection.table_names(cursor):
                self._before[table] = self._sum(table)

    def __call__(self, execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        if match := _WRITES.match(sql):
            self.written.add(match[1])
        return execute(sql, params, many, context)

    def changed(self) -> set[str]:
        """Tables that hold something else than before."""
        return {table for table in self.written if self._sum(table) != self._before.get(table)}

    @staticmethod
    def _sum(table: str) -> str:
        with connection.cursor() as cursor:
            cursor.execute(f'SELECT * FROM "{table}"')
            lines = sorted(repr(row) for row in cursor.fetchall())
        return hashlib.sha256("\n".join(lines).encode()).hexdigest()


@dataclass(frozen=True)
class Asked:
    """One request, so that it can be told and sent again."""

    who: str
    method: str
    address: str
    sent: tuple[tuple[str, Any], ...] = ()
    raw: tuple[bytes, str] | None = None
    headers: tuple[tuple[str, str], ...] = ()

    def __str__(self) -> str:
        shown = [
            (name, value if len(str(value)) < 80 else f"{str(value)[:60]}… ({len(value)})") for name, value in self.sent
        ]
        return (
            f"{self.who} {self.method} {self.address} {shown or (self.raw and (self.raw[0][:80], self.raw[1])) or ''}"
        )


class Fuzz:
    """Sends tries into a shop that was walked, and keeps what gave way: one finding a view and a kind."""

    def __init__(self, visitors: dict[str, Client], found: Walk, names: list[str], *, seed: int) -> None:
        self.visitors, self.found, self.names = visitors, found, names
        self.chance = random.Random(seed)
        self.jars = {who: SimpleCookie(visitor.cookies) for who, visitor in visitors.items()}
        self.findings: dict[tuple[str, str], str] = {}
        self.answers: dict[str, int] = {}
        self.rows = Rows()
        # What was written up to here is checked now: PostgreSQL would check all of it anew in every try that is undone.
        connection.check_constraints()
        self.by_view: dict[str, list[Form]] = {}
        for form in found.forms:
            self.by_view.setdefault(f"{form.name} {form.method}", []).append(form)
        self.asked = sorted(found.asked | {"page", "q", "sort", "next", "version"})
        self.texts = [*_NUMBERS, *_DATES, *_TEXTS, *_BYTES]

    def run(self, tries: int) -> None:
        for _number in range(tries):
            self.send(self._try())

    # --- what is sent

    def _try(self) -> Asked:
        turn = self.chance.random()
        who = self.chance.choice([*self.visitors, *["owner"] * ("owner" in self.visitors) * 3])
        if turn < 0.7 and self.by_view:
            form = self.chance.choice(self.by_view[self.chance.choice(list(self.by_view))])
            return self._form(form, who)
        address = self._address(self.chance.choice(self.names))
        if turn < 0.85:
            asked = [(name, self._any()) for name in self.chance.sample(self.asked, min(3, len(self.asked)))]
            return Asked(who, "GET", f"{address}?{urlencode(asked)}")
        if turn < 0.93:
            return Asked(who, "POST", address, tuple((name, self._any()) for name in self.chance.sample(self.asked, 2)))
        return Asked(who, "POST", address, raw=self.chance.choice(damaged.BODIES))

    def _form(self, form: Form, who: str) -> Asked:
        sent = [pair for one in form.fields if (pair := self._plausible(one, form)) is not None]
        names = sorted({one.name for one in form.fields})
        kinds = {one.name: one for one in form.fields}
        for _turn in range(self.chance.choice([0, 1, 1, 1, 2, 3, len(names)])):
            if not names:
                break
            name, how = self.chance.choice(names), self.chance.random()
            if how < 0.1:
                sent = [pair for pair in sent if pair[0] != name]
                continue
            if how > 0.15:  # else the name comes twice
                sent = [pair for pair in sent if pair[0] != name]
            sent.append((name, self._hostile(kinds[name])))
        buttons = [one for one in form.fields if one.kind == "submit"]
        if buttons and self.chance.random() < 0.7:
            pressed = self.chance.choice(buttons)
            sent.append((pressed.name, pressed.value))
        action = form.action
        if self.chance.random() < 0.05:
            action = self._address(form.name)
        if form.method != "post":
            asked = [(name, value) for name, value in sent if isinstance(value, str | bytes)]
            return Asked(who, "GET", f"{urlsplit(action).path}?{urlencode(asked)}")
        headers = (("HX-Request", "true"),) if self.chance.random() < 0.1 else ()
        return Asked(who, "POST", action, tuple(sent), headers=headers)

    def _plausible(self, one: Field, form: Form) -> tuple[str, Any] | None:
        """What somebody in a hurry would send: what stands there, otherwise something of the right kind."""
        if one.kind == "submit":
            return None
        if one.kind in ("checkbox", "radio"):
            among = [other for other in form.fields if other.name == one.name]
            on = one.on or (one is among[0] and not any(other.on for other in among) and self.chance.random() < 0.5)
            return (one.name, one.value) if on else None
        if one.kind == "file":
            return (one.name, self._file()) if self.chance.random() < 0.5 else None
        if one.kind == "select":
            return one.name, one.value or (self.chance.choice(one.options) if one.options else "")
        if one.value or one.kind == "hidden" or self.chance.random() < 0.2:
            return one.name, one.value
        today = datetime.date.today()
        usual = {"figure": "3", "email": "ilse@example.org", "date": str(today), "time": "09:00", "month": "2026-10"}
        usual |= {"password": "long enough for a test", "datetime-local": f"{today}T09:00", "tel": "0123", "url": ""}
        return one.name, usual.get(one.kind, "A word or two")

    def _hostile(self, one: Field) -> Any:
        if one.kind == "file":
            return self._file() if self.chance.random() < 0.9 else "no file"
        if self.chance.random() < 0.25:
            return self._any()
        if one.kind in ("select", "radio", "checkbox", "hidden"):
            return self.chance.choice([*_CHOICES, *one.options])
        if one.kind == "figure":
            return self.chance.choice(_NUMBERS)
        if one.kind in ("date", "time", "month", "datetime-local"):
            return self.chance.choice(_DATES)
        return self.chance.choice(_TEXTS)

    def _any(self) -> Any:
        return self.chance.choice(self.texts)

    def _file(self) -> SimpleUploadedFile:
        name, contents, kind = self.chance.choice(damaged.FILES)
        return SimpleUploadedFile(name, contents, kind)

    def _address(self, name: str) -> str:
        """An address of the view: one that was found, or one with arguments that belong to something else."""
        known = self.found.addresses.get(name, [])
        if known and self.chance.random() < 0.8:
            return self.chance.choice(known)
        given = self.found.arguments
        for _turn in range(40):
            try:
                return reverse(name, kwargs=self._fitting(name, self.chance.choice(given) if given else {}))
            except NoReverseMatch:
                continue
        return self.chance.choice(known) if known else "/"

    def _fitting(self, name: str, given: dict[str, Any]) -> dict[str, Any]:
        pattern = next(one for one in patterns() if one.name == name)
        return {
            key: given.get(key, ARGUMENTS[type(converter).__name__])
            for key, converter in pattern.pattern.converters.items()
        }

    # --- what came of it

    def send(self, asked: Asked) -> None:
        visitor = self.visitors[asked.who]
        visitor.cookies = SimpleCookie(self.jars[asked.who])
        self.rows.written.clear()
        began = time.process_time()
        with transaction.atomic(), connection.execute_wrapper(self.rows):
            try:
                for kind, what in self._wrong(visitor, asked):
                    self._note(asked, kind, what)
            except Exception as error:
                last = traceback.extract_tb(error.__traceback__)
                ours = [
                    one for one in last if "site-packages" not in one.filename and "/lib/python" not in one.filename
                ]
                place = ours[-1] if ours else last[-1]
                where = f"{type(error).__name__} {place.filename.rpartition('/')[2]}:{place.lineno}"
                self._note(
                    asked, where, f"{str(error)[:300]}\n{''.join(traceback.format_tb(error.__traceback__)[-4:])}"
                )
            transaction.set_rollback(True)
        if (took := time.process_time() - began) > SLOW:
            self._note(asked, "slow", f"{took:.1f} s")

    def _note(self, asked: Asked, kind: str, what: str) -> None:
        self.findings.setdefault((named(asked.address), kind), f"{asked}\n    {what}")

    def _wrong(self, visitor: Client, asked: Asked) -> Iterator[tuple[str, str]]:
        answer = self._answer(visitor, asked)
        if answer.streaming:
            b"".join(answer.streaming_content)  # which closes it, and not the connection with it
        status = f"{asked.method} {answer.status_code}"
        self.answers[status] = self.answers.get(status, 0) + 1
        if answer.status_code >= 500:
            yield f"status {answer.status_code}", ""
        changed = self.rows.changed()
        if changed:
            connection.check_constraints()
        if asked.method == "GET":
            if beyond := changed - ON_READING:
                yield "a page that was only read wrote", ", ".join(sorted(beyond))
        elif not agreed(answer) and named(asked.address) not in PIECE_BY_PIECE and (beyond := changed - NEITHER):
            yield "refused and written", f"{answer.status_code}, {', '.join(sorted(beyond))}"
        if as_markup(answer):
            yield "markup", "what was typed comes back unescaped"
        if changed and asked.method == "POST":
            yield from self._looked_at(visitor, asked, answer)

    def _looked_at(self, visitor: Client, asked: Asked, answer: HttpResponse) -> Iterator[tuple[str, str]]:
        """What was kept must also be shown again: the page that follows, and where it was sent from."""
        after = [answer["Location"]] if answer.has_header("Location") else []
        known = sorted(one for ones in self.found.addresses.values() for one in ones)
        after += [self.chance.choice(known)] if known else []
        for address in after:
            if address.startswith("/"):
                page = visitor.get(address)
                if page.status_code >= 500:
                    yield f"then {page.status_code}", address
                if as_markup(page):
                    yield f"markup on {named(address)}", "what was typed comes back unescaped"

    def _answer(self, visitor: Client, asked: Asked) -> Any:
        headers = dict(asked.headers)
        if asked.method == "GET":
            return visitor.get(asked.address, headers=headers)
        if asked.raw is not None:
            return visitor.generic("POST", asked.address, *asked.raw, headers=headers)
        if any(isinstance(value, SimpleUploadedFile) for _name, value in asked.sent):
            data: dict[str, list[Any]] = {}
            for name, value in asked.sent:
                data.setdefault(name, []).append(value)
            return visitor.post(asked.address, data, headers=headers)
        body = urlencode(list(asked.sent))
        return visitor.post(asked.address, body, content_type="application/x-www-form-urlencoded", headers=headers)

    def told(self) -> str:
        """All findings, to be read by whoever mends them."""
        return "\n\n".join(f"{name}: {kind}\n  {what}" for (name, kind), what in sorted(self.findings.items()))


def agreed(answer: Any) -> bool:
    """Whether the program says that it did what was asked: it goes on to another page without an error told, or
    answers with JSON or a file to keep."""
    if answer.status_code >= 400:
        return False
    if (answer.context or {}).get("kept"):
        return True  # what was good in a file is, and the page shows what was not
    if any(one.level >= constants.ERROR for one in getattr(answer.wsgi_request, "_messages", None) or ()):
        return False
    if answer.status_code in (204, 301, 302, 303) or answer.wsgi_request.headers.get("HX-Request"):
        return True  # a part that htmx put in place says nothing of whether it was kept
    file = answer.get("Content-Disposition", "").startswith("attachment")
    return file or answer.get("Content-Type", "").startswith("application/json")


def as_markup(answer: Any) -> bool:
    html = answer.get("Content-Type", "").startswith("text/html")
    return html and not answer.streaming and MARK.encode() in answer.content
