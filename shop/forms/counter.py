"""The page that logs a set in: whose it is, which piano, what arrived. Several forms that are sent as one."""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Count
from django.http import QueryDict
from django.utils.datastructures import MultiValueDict
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from shop import seams
from shop.forms.clients import ClientForm
from shop.forms.instruments import InstrumentForm
from shop.forms.jobs import ArrivalForm, DayInput, _not_past
from shop.models import Client, Instrument, Job, Person, search_key
from shop.workflow.jobs import log_in

NEW = "new"
# Shorter texts find half the shop.
_LEAST_NAME = 2
_LEAST_SERIAL = 3
_MOST = 8


class ChoiceForm(forms.Form):
    """Which client and which instrument: "" where nothing was chosen, "new", or the number of a row."""

    op = forms.UUIDField(
        widget=forms.HiddenInput,
        error_messages={
            "required": gettext_lazy("This page was too old. Press once more."),
            "invalid": gettext_lazy("This page was too old. Press once more."),
        },
    )
    client = forms.CharField(required=False, max_length=20)
    instrument = forms.CharField(required=False, max_length=20)


class NewClientForm(ClientForm):
    """A client whose name may be the one that is looked for."""

    class Meta(ClientForm.Meta):
        fields = ["name", "kind", "contact", "phone", "email", "address"]
        labels = {"name": gettext_lazy("Client")}


class NewInstrumentForm(InstrumentForm):
    """An instrument whose serial number may be the one that is looked for."""

    class Meta(InstrumentForm.Meta):
        fields = ["serial", "maker", "kind", "model", "year", "keytops"]


class NewArrivalForm(ArrivalForm):
    """What arrived, and the day it is promised for where that is said at once."""

    class Meta(ArrivalForm.Meta):
        # It comes in at the branch of whoever logs it in.
        fields = [*(name for name in ArrivalForm.Meta.fields if name != "branch"), "promised_on"]
        widgets = {**ArrivalForm.Meta.widgets, "promised_on": DayInput()}

    def clean(self):
        super().clean()
        _not_past(self, "promised_on")


@dataclass(frozen=True)
class KnownInstrument:
    """An instrument that was here before, and the last time it was."""

    instrument: Instrument
    last: Job | None


def clients_like(text: str, chosen: str = "") -> list[Client]:
    """Clients whose name, contact, e-mail or phone holds the text, and the one chosen, each with its count of
    instruments (.pianos)."""
    counted = Client.objects.annotate(pianos=Count("instruments"))
    found = list(counted.named_like(text)[:_MOST]) if len(search_key(text)) >= _LEAST_NAME else []
    number = _number(chosen)
    if number and number not in [client.pk for client in found]:
        found = [*counted.filter(pk=number), *found]
    return found


def known_instruments(client: str = "", serial: str = "", chosen: str = "") -> list[KnownInstrument]:
    """The client's instruments, those with this serial number (however it is spaced), and the one chosen; each
    with its last job. Three queries at most."""
    rows: dict[int, Instrument] = {}
    all_rows = Instrument.objects.select_related("client")
    if number := _number(chosen):
        rows |= {row.pk: row for row in all_rows.filter(pk=number)}
    key = search_key(serial)
    if len(key) >= _LEAST_SERIAL:
        alike = [row for row in all_rows.like(key)[: 4 * _MOST] if key in search_key(row.serial)]
        rows |= {row.pk: row for row in alike[:_MOST]}
    if number := _number(client):
        rows |= {row.pk: row for row in all_rows.filter(client_id=number)[: 3 * _MOST]}
    last: dict[int, Job] = {}
    for job in Job.objects.filter(instrument__in=list(rows)).order_by("number"):
        last[job.instrument_id] = job
    return [KnownInstrument(row, last.get(pk)) for pk, row in rows.items()]


def _number(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else None


def _typed(form_class: Any, data: Mapping | None, **kwargs: Any) -> Any:
    """A form that shows what was typed and judges nothing yet."""
    form = form_class(**kwargs)
    if data is not None:
        for name, field in form.fields.items():
            value = field.widget.value_from_datadict(data, MultiValueDict(), form.add_prefix(name))
            if value is not None:
                form.initial[name] = value
    return form


class LogIn:
    """The page's forms together. Without data: empty, or begun for a client or instrument that is known.

    judge: whether what was typed is to be checked; not while somebody still looks for a client.
    """

    def __init__(
        self,
        data: QueryDict | None = None,
        files: MultiValueDict | None = None,
        *,
        judge: bool = True,
        client: str = "",
        instrument: str = "",
    ):
        self.data = data
        given: Mapping[str, Any] = data or {}
        self.chosen_client = given.get("client", client)
        self.chosen_instrument = given.get("instrument", instrument)
        self.name = given.get("client-name", "")
        self.serial = given.get("piano-serial", "")
        bound = data is not None and judge
        self.choice = ChoiceForm(data) if bound else _typed(ChoiceForm, data)
        self.choice.initial.setdefault("op", uuid.uuid4())
        known_client, known_piano = self._is_known(self.chosen_client), self._is_known(self.chosen_instrument)
        by_instrument = known_piano and not self.chosen_client and not self.name.strip()
        self.client = self._form(NewClientForm, "client", bound and not known_client and not by_instrument)
        self.instrument = self._form(NewInstrumentForm, "piano", bound and not known_piano)
        self.arrival = self._form(NewArrivalForm, None, bound)
        self.parts = [
            (part, part.form_class(data, files) if bound else _typed(part.form_class, data)) for part in seams.intake
        ]

    def _form(self, form_class: type[forms.ModelForm], prefix: str | None, bound: bool) -> Any:
        return form_class(self.data, prefix=prefix) if bound else _typed(form_class, self.data, prefix=prefix)

    @staticmethod
    def _is_known(chosen: str) -> bool:
        return _number(chosen) is not None

    @cached_property
    def candidates(self) -> list[Client]:
        """Clients to choose from."""
        return clients_like(self.name, self.chosen_client)

    @cached_property
    def known(self) -> list[KnownInstrument]:
        """Instruments to choose from."""
        return known_instruments(self.chosen_client, self.serial, self.chosen_instrument)

    @property
    def forms(self) -> list[Any]:
        """Every form of the page."""
        return [self.choice, self.client, self.instrument, self.arrival, *(form for _part, form in self.parts)]

    @property
    def has_errors(self) -> bool:
        """Whether anything that was sent needs another look."""
        return any(form.errors for form in self.forms if form.is_bound)

    def is_valid(self) -> bool:
        """Checks everything at once, so that all errors show together."""
        good = [form.is_valid() for form in self.forms if form.is_bound]
        self._whose()
        self._which()
        return all(good) and not self.choice.errors

    def logged_in_before(self) -> Job | None:
        """The set that this page has logged in already."""
        op = self.choice.cleaned_data.get("op")
        return Job.objects.filter(op=op).first() if op else None

    def turn_page(self) -> None:
        """Keeps what was typed under a new op: for another set from the same page, or where the op was spoilt."""
        kept = {name: self.choice.data.get(name, "") for name in ("client", "instrument")}
        self.choice = ChoiceForm({**kept, "op": str(uuid.uuid4())})

    def _whose(self) -> None:
        self.chosen: Client | None = None
        if self._is_known(self.chosen_client):
            self.chosen = next((row for row in self.candidates if row.pk == _number(self.chosen_client)), None)
            if self.chosen is None:
                self.choice.add_error("client", ValidationError(_("This client is not there any more. Choose again.")))
        elif self.client.is_bound and self.chosen_client != NEW:
            key = search_key(self.name)
            if key and any(search_key(row.name) == key for row in self.candidates):
                self.choice.add_error(
                    "client",
                    ValidationError(_("There is a client of this name already. Choose them, or say that it is new.")),
                )

    def _which(self) -> None:
        self.piano: Instrument | None = None
        if self._is_known(self.chosen_instrument):
            number = _number(self.chosen_instrument)
            self.piano = next((row.instrument for row in self.known if row.instrument.pk == number), None)
            if self.piano is None:
                self.choice.add_error(
                    "instrument", ValidationError(_("This instrument is not there any more. Choose again."))
                )
            elif not self.client.is_bound and self.chosen is None and not self.choice.errors:
                self.chosen = self.piano.client  # nobody named a client: the instrument says who it was
        elif self.chosen_instrument != NEW:
            key = search_key(self.serial)
            if len(key) >= _LEAST_SERIAL and any(search_key(row.instrument.serial) == key for row in self.known):
                self.choice.add_error(
                    "instrument",
                    ValidationError(_("An instrument with this number was here before. Choose it, or say it is new.")),
                )

    def save(self, *, by: Person) -> Job:
        """Logs the set in. Raises LoggedInAlready where the page was sent before, Refused where a part says no."""
        return log_in(
            client=self.chosen or self.client.instance,
            instrument=self.piano or self.instrument.instance,
            by=by,
            op=self.choice.cleaned_data["op"],
            parts=[partial(part.save, form=form, by=by) for part, form in self.parts],
            **self.arrival.cleaned_data,
        )
