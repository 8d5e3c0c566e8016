"""The tools for the bench: what each is asked, the core's answer to it, and that answer in words.

No figure is made here: each comes from keyboards/core, here it gets its unit and its sentence.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from keyboards.advising import assumptions_for
from keyboards.core import fit, flex, humidity, spread, weights
from keyboards.core.errors import MeasurementError
from keyboards.core.keys import Compass as Keys
from keyboards.core.keys import format_keys
from keyboards.drawing.plots import written
from keyboards.forms.numbers import AskedForm, said
from keyboards.forms.tools import (
    CALIBRATED,
    TANGENTIAL,
    ClothForm,
    CompressionForm,
    FlexForm,
    HumidityForm,
    PinForm,
    SampleForm,
    WeightForm,
)
from keyboards.models import Check
from keyboards.specifying import SetReadings, set_readings
from shop.models import Job

Text = str | Promise


@dataclass(frozen=True)
class Result:
    """An answer: the one figure asked for, the figures beside it, sentences, and what to beware of."""

    figure: str
    meaning: str
    facts: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()  # the first row is its head
    table_title: str = ""


@dataclass(frozen=True)
class Tool:
    """slug (of its address), title, what it answers, its form and its answer; how it is reckoned and whose words that
    rests on. `known` fills the form from a set's readings."""

    slug: str
    title: Text
    lead: Text
    form: type[AskedForm]
    answer: Callable[[Any, "Known"], Result]
    formula: tuple[str, ...]
    sources: tuple[Text, ...]
    known: Callable[["Known"], Mapping[str, Any]] = field(default=lambda known: {})


@dataclass(frozen=True)
class Known:
    """What is known where a tool is used: the set, if it is used on one, and the assumptions that hold there."""

    job: Job | None
    assumed: Any
    readings: SetReadings | None = None

    def typical(self, quantity: str) -> float | None:
        return self.readings.typical(quantity) if self.readings else None


def known_of(job: Job | None) -> Known:
    """What the set's readings and the assumptions say."""
    return Known(job, assumptions_for(job), set_readings(job) if job else None)


def ratio(part: float) -> str:
    """A fraction as a percentage with its sign: 0.031 -> "+3.1 %"."""
    percent = written(100 * part, 1)
    return f"{'' if percent.startswith(chr(0x2212)) or percent == '0.0' else '+'}{percent} %"


# --- cloth ---------------------------------------------------------------------------------------


def _cloth_known(known: Known) -> Mapping[str, Any]:
    assumed = known.assumed
    return {
        "mortise": known.typical("balance_mortise_width"),
        "pin": known.typical("balance_pin") or (assumed.pin if known.job else None),
        "clearance": assumed.clearance,
        "lower": -assumed.lower,
        "upper": assumed.upper,
        "compression": assumed.compression,
        "calibrated": CALIBRATED if assumed.compression_calibrated else "no",
        "stock": assumed.stock,
    }


def cloth(form: ClothForm, known: Known) -> Result:
    """Which cloth of the stock a mortise needs, how well it fits, how sure that is."""
    data, unit, assumed = form.cleaned_data, form.unit, known.assumed
    mortise, pin, wanted, compression = data["mortise"], data["pin"], data["clearance"], data["compression"]
    lower, upper = -data["lower"], data["upper"]
    u_compression = (
        assumed.u_compression_calibrated if data["calibrated"] == CALIBRATED else assumed.u_compression_before
    )
    needed = fit.required_cloth(mortise, pin, wanted, compression)
    warnings = [
        _("Between %(thin)s and %(thick)s a mortise can fall that neither cloth fits: the step is more than %(most)s.")
        % {
            "thin": said(thin, unit),
            "thick": said(thick, unit),
            "most": said(fit.largest_stock_step(lower, upper, compression), unit, 3),
        }
        for thin, thick in fit.stock_gaps(data["stock"], lower, upper, compression)
    ]
    if needed <= 0:
        return Result(
            _("none"),
            _("The gap is no wider than the clearance: no cloth is thin enough. Check the pin first."),
            warnings=tuple(warnings),
        )
    found = fit.classify_key(mortise, pin, compression, wanted, data["stock"], lower, upper)
    u = fit.misfit_uncertainty(
        found.cloth, compression, assumed.u_mortise, assumed.u_pin, assumed.u_cloth, u_compression
    )
    u_needed = fit.required_cloth_uncertainty(
        mortise, pin, wanted, compression, assumed.u_mortise, assumed.u_pin, assumed.u_clearance, u_compression
    )
    chance = fit.conformance_probability(found.misfit, u, lower, upper)
    meanings = {
        "fit": _("is the cloth in stock that fits best."),
        "oversize": _("is the thickest in stock, and still loose: the mortise needs a lining or a new button."),
        "undersize": _("is the thinnest in stock, and still tight: check the pin first."),
        "stock gap": _("is the nearest, but the mortise falls between two cloths of the stock."),
    }
    states = {
        "pass": _("proved good"),
        "marginal pass": _("good as read, not proved"),
        "marginal fail": _("bad as read, not proved"),
        "fail": _("proved bad"),
    }
    return Result(
        said(found.cloth, unit),
        meanings[found.status],
        facts=(
            (_("Exactly right would be"), f"{said(needed, unit, 3)} ± {said(u_needed, unit, 3)}"),
            (_("Clearance with it"), said(found.misfit + wanted, unit, 3)),
            (_("Misfit, + is loose"), f"{said(found.misfit, unit, 3)} ± {said(u, unit, 3)}"),
            (_("Chance that it is in tolerance"), f"{written(100 * chance, 0)} %"),
            (
                _("One reading says"),
                states[fit.conformance_status(found.misfit, u, lower, upper)],
            ),
        ),
        notes=(
            _("One caliper reading cannot prove one key good. Read a key near a limit again."),
            _("Reckoned with u(mortise) %(mortise)s, u(pin) %(pin)s, u(cloth) %(cloth)s, u(compression) %(c)s.")
            % {
                "mortise": said(assumed.u_mortise, unit, 3),
                "pin": said(assumed.u_pin, unit, 3),
                "cloth": said(assumed.u_cloth, unit, 3),
                "c": written(u_compression, 2),
            },
        ),
        warnings=tuple(warnings),
    )


def compression(form: CompressionForm, known: Known) -> Result:
    """The compression a trial key shows."""
    data, unit = form.cleaned_data, form.unit
    found = fit.calibrate_compression(data["mortise"], data["pin"], data["cloth"], data["play"])
    found = max(found, 0.0) if abs(found) < 1e-9 else found
    rows = [(_("Play measured"), _("Compression"))]
    step = 0.02
    for play in (data["play"] - step, data["play"], data["play"] + step):
        try:
            if play >= 0:
                again = fit.calibrate_compression(data["mortise"], data["pin"], data["cloth"], play)
                rows.append((said(play, unit), written(again, 3)))
        except MeasurementError:
            continue  # beyond what cloth can do: no row
    return Result(
        written(found, 3),
        _("of its thickness this cloth gives way under the pin."),
        facts=((_("Assumed so far"), written(known.assumed.compression, 3)),),
        notes=(
            _("Average three trial keys or more before it goes into the assumptions."),
            _("It holds for this cloth, this glue and this caul."),
        ),
        table=tuple(rows) if len(rows) > 2 else (),
        table_title=_("If the play was misread"),
    )


# --- humidity ------------------------------------------------------------------------------------


def _humidity_known(known: Known) -> Mapping[str, Any]:
    if known.job is None:
        return {}
    checks = list(
        Check.objects.filter(job=known.job, humidity__isnull=False)
        .order_by("begun_at", "id")
        .only("humidity", "temperature")
    )
    found: dict[str, Any] = {"size": known.typical("balance_mortise_width")}
    if checks:
        first, last = checks[0], checks[-1]
        found |= {
            "humidity_before": float(first.humidity or 0),
            "humidity_after": float(last.humidity or 0),
            "temperature_before": None if first.temperature is None else float(first.temperature),
            "temperature_after": None if last.temperature is None else float(last.temperature),
        }
    return found


def air(form: HumidityForm, known: Known) -> Result:
    """What the air alone did to a size between two readings."""
    data, unit = form.cleaned_data, form.unit
    movement = humidity.WOODS[data["wood"]]
    coefficient = movement.tangential if data["direction"] == TANGENTIAL else movement.radial
    found = humidity.humidity_correction(
        data["size"],
        coefficient,
        data["temperature_before"],
        data["humidity_before"],
        data["temperature_after"],
        data["humidity_after"],
    )
    warnings = []
    if found.warn:
        warnings.append(
            _("The two airs are more than %(most)s %% RH apart: compare these readings only with the correction.")
            % {"most": written(humidity.COMPARABLE, 0)}
        )
    if not found.published:
        warnings.append(
            _("The coefficient is published for wood of %(low)s to %(high)s %% moisture: outside that this is a guess.")
            % {
                "low": written(humidity.PUBLISHED_MOISTURE[0], 0),
                "high": written(humidity.PUBLISHED_MOISTURE[1], 0),
            }
        )
    plus = "+" if found.change > 0 else ""
    return Result(
        f"{plus}{said(found.change, unit, 3)}",
        _("is what the air alone does to this size, once the wood has settled."),
        facts=(
            (_("Second reading in the first air"), said(data["size"] - found.change, unit, 3)),
            (_("Moisture of the wood, first"), f"{written(found.moisture_before, 1)} %"),
            (_("Moisture of the wood, second"), f"{written(found.moisture_after, 1)} %"),
            (_("Coefficient for each % of moisture"), f"{coefficient:.5f}"),
        ),
        notes=(_("Wood follows the air over days or weeks: this is the most a short change can do."),),
        warnings=tuple(warnings),
    )


# --- samples -------------------------------------------------------------------------------------


def _sample_known(known: Known) -> Mapping[str, Any]:
    if known.readings is None or not known.readings.present:
        return {}
    there = len(known.readings.present)
    return {"total": there, "inspected": max(1, round(there / 4)), "allowed": min(8, there)}


def sample(form: SampleForm, known: Known) -> Result:
    """What a sample says of a set, how large it must be, and which keys to take."""
    data = form.cleaned_data
    total, inspected, failing = data["total"], data["inspected"], data["failing"]
    most = spread.upper_failing(total, inspected, failing, data["confidence"])
    keys: list[int] = list(range(1, total + 1))
    names = Keys(count=total) if total <= 88 else None
    if known.readings is not None and known.readings.compass and len(known.readings.present) == total:
        keys, names = known.readings.present, known.readings.compass.keys
    drawn = spread.stratified_sample(keys, inspected, data["seed"])
    if failing <= data["allowed"]:
        smallest = spread.smallest_sample(total, data["allowed"], failing, data["confidence"])
        smallest_words = ngettext("%(count)d key", "%(count)d keys", smallest) % {"count": smallest}
    else:
        smallest_words = _("none: more fail already")
    rows: list[tuple[str, ...]] = [(_("Every"), _("Keys"), _("Note names met"))]
    for step in (4, 5, 7):
        visited = keys[::step]
        rows.append(
            (
                _("%(step)dth key") % {"step": step},
                str(len(visited)),
                _("%(met)d of 12") % {"met": spread.notes_visited(visited)},
            )
        )
    percent = written(100 * data["confidence"], 1).removesuffix(".0")
    return Result(
        str(most),
        _("keys of the set fail at most, says this sample with %(percent)s %% confidence.") % {"percent": percent},
        facts=(
            (
                _("Smallest sample to say “at most %(allowed)s fail”, if %(failing)s do")
                % {"allowed": data["allowed"], "failing": failing},
                smallest_words,
            ),
            (_("Keys to inspect"), format_keys(drawn)),
            *(((_("Their notes"), ", ".join(names.name(key) for key in drawn)),) if names else ()),
        ),
        notes=(
            _("The bound assumes a random pick. Keys in fixed steps are none: every 4th visits only 3 note names."),
            _(
                "The keys are drawn at random, one from each stretch. Where failing keys lie evenly scattered the bound"
                " is a little bold then: 94.4 % for 95 % at 22 of 88 keys with none failing."
            ),
        ),
        table=tuple(rows),
        table_title=_("Fixed steps"),
    )


# --- pins, weights -------------------------------------------------------------------------------


def pin(form: PinForm, known: Known) -> Result:
    """The caul for a pin, and how far the pin is from its name."""
    data, unit = form.cleaned_data, form.unit
    off = data["pin"] - data["nominal"]
    warnings = []
    if abs(off) > known.assumed.clearance:
        warnings.append(
            _("The pin is off its name by more than the whole side clearance (%(clearance)s): go by what you measured.")
            % {"clearance": said(known.assumed.clearance, unit, 3)}
        )
    return Result(
        said(weights.caul_width(data["pin"]), unit, 2 if unit == "mm" else 1),
        _("is the width of the last caul."),
        facts=(
            (_("Pin, measured"), said(data["pin"], unit, 3)),
            (_("Pin, nominal"), said(data["nominal"], unit, 3)),
            (_("Measured less nominal"), said(off, unit, 3)),
            (_("Caul over pin"), said(weights.CAUL_OVER_PIN, unit, 2 if unit == "mm" else 1)),
        ),
        notes=(_("Common practice: one practitioner's figure, a .148 caul for a .146 pin."),),
        warnings=tuple(warnings),
    )


def weight(form: WeightForm, known: Known) -> Result:
    """Balance weight and friction."""
    found = weights.touch(form.cleaned_data["down"], form.cleaned_data["up"])
    return Result(
        f"{written(found.balance, 1).removesuffix('.0')} g",
        _("is the balance weight."),
        facts=((_("Friction"), f"{written(found.friction, 1).removesuffix('.0')} g"),),
        notes=(_("Friction follows the air: note the humidity beside it."),),
    )


# --- flex ----------------------------------------------------------------------------------------


def cover_words() -> dict[str, str]:
    """How a slot's ends are covered, in words."""
    return {
        "stop": _("bare: stop"),
        "reject": _("too little"),
        "warn": _("less than the button is high"),
        "enough": _("enough"),
    }


def _flex_known(known: Known) -> Mapping[str, Any]:
    if known.readings is None:
        return {}
    of = known.typical
    length = of("button_length")
    return {
        "slot_length": of("slot_length"),
        "mortise_length": of("slot_length"),
        "button_length": length,
        "other_length": None if length is None else 0.8 * length,
        "button_width": of("button_width"),
        "stick_width": of("button_width"),
        "button_height": of("button_height"),
        "other_button_height": of("button_height"),
        "mortise_width": of("balance_mortise_width"),
        "slot_width": of("balance_mortise_width"),
        "hole": of("balance_pin"),
    }


def bend(form: FlexForm, known: Known) -> Result:
    """How much a key bends, against the same key changed."""
    data, unit = form.cleaned_data, form.unit
    key, other = form.two_keys()
    flexes = [flex.key_flexibility(each) for each in (key, other)]
    softer = flexes[1] / flexes[0] - 1
    covers = [min(flex.slot_cover(each)) for each in (key, other)]
    states = [flex.cover_status(each) for each in (key, other)]
    sinks = [flex.static_deflection(each) for each in (key, other)]
    warnings = [
        _("%(which)s: the slot is covered by %(cover)s (%(state)s). The slot's cover is the real limit, not the flex.")
        % {"which": which, "cover": said(cover, unit, 1), "state": cover_words()[state]}
        for which, cover, state in zip((_("The key"), _("Changed")), covers, states, strict=True)
        if state in ("stop", "reject")
    ]
    notes = [
        _("The figures compare keys. They are no promise in length: woods scatter by a fifth."),
        _("Bench test: under %(good)s good, over %(poor)s poor. One published bench article.")
        % {"good": said(flex.GOOD_DEFLECTION, unit), "poor": said(flex.POOR_DEFLECTION, unit)},
    ]
    if data["measured"] is not None:
        words = {"good": _("good"), "fair": _("in between"), "poor": _("poor")}
        notes.insert(
            0,
            _("Measured %(sink)s: %(answer)s by that article.")
            % {"sink": said(data["measured"], unit), "answer": words[flex.deflection_status(data["measured"])]},
        )
    head: tuple[str, ...] = ("", _("The key"), _("Changed"))
    per_newton = _("%(unit)s for each newton") % {"unit": unit}
    rows: tuple[tuple[str, ...], ...] = (
        head,
        (_("Flex"), *(f"{said(value, unit, 4).removesuffix(unit)}{per_newton}" for value in flexes)),
        (_("Model's sink under 1000 g"), *(said(value, unit) for value in sinks)),
        (_("Slot cover, the smaller end"), *(said(value, unit, 1) for value in covers)),
        (_("which is"), *(cover_words()[state] for state in states)),
    )
    return Result(
        ratio(softer),
        _("more flexible when changed.") if softer >= 0 else _("less flexible, when changed."),
        notes=tuple(notes),
        warnings=tuple(warnings),
        table=rows,
        table_title=_("Side by side"),
    )


_HANDBOOK = gettext_lazy("Wood Handbook, Forest Products Laboratory, FPL-GTR-282")
_ESTIMATES = gettext_lazy(
    "Compression, clearance, tolerance and uncertainties are estimates until the shop sets its own."
)

TOOLS: Mapping[str, Tool] = {
    tool.slug: tool
    for tool in (
        Tool(
            "cloth",
            gettext_lazy("Cloth for a mortise"),
            gettext_lazy("Mortise and pin → the cloth in stock, its misfit and the chance that it serves."),
            ClothForm,
            cloth,
            ("t = (m − p − s) / (2 (1 − c))", "e = m − p − 2 (1 − c) t − s", "P = Φ((upper − e)/u) − Φ((lower − e)/u)"),
            (gettext_lazy("Uncertainty: JCGM 100:2008. Chance: JCGM 106:2012, clause 7."), _ESTIMATES),
            _cloth_known,
        ),
        Tool(
            "compression",
            gettext_lazy("Compression from a trial key"),
            gettext_lazy("Cloth glued in, play measured → how far this cloth gives way."),
            CompressionForm,
            compression,
            ("c = 1 − (m − p − g) / (2 t)",),
            (
                gettext_lazy(
                    "The fit of cloth and pin, solved for the compression; a trial key is the shop's own source."
                ),
            ),
            lambda known: {
                "mortise": known.typical("balance_mortise_width"),
                "pin": known.typical("balance_pin"),
            },
        ),
        Tool(
            "humidity",
            gettext_lazy("Humidity correction"),
            gettext_lazy("Two airs and a size → what the air alone did to it."),
            HumidityForm,
            air,
            ("ΔD = D · C · (M₂ − M₁)", "M = 1800/W · [Kh/(1 − Kh) + (K₁Kh + 2K₁K₂K²h²)/(1 + K₁Kh + K₁K₂K²h²)]"),
            (_HANDBOOK, gettext_lazy("Equations 4-5 and 13-2, coefficients of Table 13-5.")),
            _humidity_known,
        ),
        Tool(
            "sample",
            gettext_lazy("How many keys to inspect"),
            gettext_lazy("A sample and what failed in it → at most how many fail in all; and which keys to take."),
            SampleForm,
            sample,
            ("D = max { D : P(X ≤ f | N, D, n) > 1 − γ }", "P(X = k) = C(D, k) C(N − D, n − k) / C(N, n)"),
            (gettext_lazy("The hypergeometric distribution in exact whole numbers, a one-sided bound."),),
            _sample_known,
        ),
        Tool(
            "pin",
            gettext_lazy("Pin and caul"),
            gettext_lazy("A pin as it is, not as it is called → the last caul."),
            PinForm,
            pin,
            ("caul = pin + 0.05 mm (.002 in)",),
            (gettext_lazy("Common practice, no standard: one practitioner's figure."),),
            lambda known: {"pin": known.typical("balance_pin"), "nominal": known.assumed.pin if known.job else None},
        ),
        Tool(
            "flex",
            gettext_lazy("Flex of a key"),
            gettext_lazy("Stick, slot and button → how much it bends, against the same key changed."),
            FlexForm,
            bend,
            ("f = Σ ∫ M² / EI dx + 1.2 Σ ∫ V² / GA dx", "EI = EI₀ + η (EI_c − EI₀), η = 1 − cosh(d/λ)/cosh(L_b/2λ)"),
            (
                gettext_lazy(
                    "Beam theory with transformed sections, unit loads, Timoshenko's shear, Newmark's partial composite"
                    " action; λ = 2.4 button heights is an estimate."
                ),
                gettext_lazy(
                    "Woods: FPL-GTR-282, Table 5-3a, at 12 % moisture. Sitka spruce is from memory (9900 MPa also"
                    " circulates)."
                ),
            ),
            _flex_known,
        ),
        Tool(
            "weight",
            gettext_lazy("Balance weight and friction"),
            gettext_lazy("Down and up weight → what hangs in the balance and what rubs."),
            WeightForm,
            weight,
            ("balance weight = (D + U) / 2", "friction = (D − U) / 2"),
            (gettext_lazy("Common practice of the trade; 52 and 28 give 40 and 12."),),
            lambda known: {"down": known.typical("down_weight"), "up": known.typical("up_weight")},
        ),
    )
}


def typical_count(known: Known) -> int:
    """On how many keys of the set a mortise width, pin or button length was read."""
    if known.readings is None:
        return 0
    keys: set[int] = set()
    for quantity in ("balance_mortise_width", "balance_pin", "button_length"):
        keys |= set(known.readings.of(quantity))
    return len(keys)
