"""What was tapped on a photo, as a script sends it: hostile until it is read here."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from keyboards.core.errors import MeasurementError
from keyboards.core.protractor import PhotoSkew, skew_of_taps
from keyboards.words import wrong_with

MOST_TAPS = 20
_LONGEST = 20_000  # characters


class Unreadable(ValueError):  # noqa: N818  (an answer, not a fault)
    """str() is a sentence for the person who tapped."""


@dataclass(frozen=True)
class Tapped:
    """Points on a photo and what they were taken for; all checked."""

    taps: list[list[list[list[float]]]]
    card: dict[str, Any]
    turn: int
    reference_is: str
    bass_on: str
    click_sd: float

    @property
    def evidence(self) -> dict[str, Any]:
        return {
            "taps": self.taps,
            "card": self.card,
            "turn": self.turn,
            "reference_is": self.reference_is,
            "bass_on": self.bass_on,
            "click_sd": self.click_sd,
        }

    def reckon(self) -> PhotoSkew:
        """The skew, or Unreadable with what is wrong with the points."""
        card = (self.card["corners"], self.card["width"], self.card["height"]) if self.card else None
        try:
            return skew_of_taps(
                [(reference, edge) for reference, edge in self.taps],
                click_sd=self.click_sd,
                reference_is=self.reference_is,
                bass_on=self.bass_on,
                card=card,
            )
        except MeasurementError as error:
            raise Unreadable(wrong_with(error)) from None


def tapped(data: Mapping[str, Any], *, width: int, height: int) -> Tapped:
    """Reads what was sent for a photo of so many px. Unreadable with a sentence for all that is not points on it."""
    text = data.get("tapped", "")
    if not isinstance(text, str) or len(text) > _LONGEST:
        raise Unreadable(_("That are more points than a photo needs."))
    try:
        raw = json.loads(text, parse_constant=_no)
    except (ValueError, RecursionError):
        raise Unreadable(_("The tapped points did not arrive. Tap them again.")) from None
    if not isinstance(raw, dict):
        raise Unreadable(_("The tapped points did not arrive. Tap them again."))
    taps = raw.get("taps")
    if not isinstance(taps, list) or not 1 <= len(taps) <= MOST_TAPS:
        raise Unreadable(_("Tap two points on the rail and two on the edge of the mortise."))
    card = raw.get("card") or {}
    if not isinstance(card, dict):
        raise Unreadable(_("The corners of the card did not arrive. Tap them again."))
    turn, reference_is, bass_on = raw.get("turn", 0), raw.get("reference_is"), raw.get("bass_on", "left")
    if turn not in (0, 90, 180, 270) or reference_is not in ("square", "rail") or bass_on not in ("left", "right"):
        raise Unreadable(_("It is not said how the photo lies."))
    size = (height, width) if turn in (90, 270) else (width, height)
    return Tapped(
        taps=[[_points(line, 2, size) for line in _list(tap, 2)] for tap in taps],
        card=_card(card, size) if card else {},
        turn=turn,
        reference_is=reference_is,
        bass_on=bass_on,
        click_sd=_number(raw.get("click_sd"), 0.1, 50),
    )


def _card(raw: dict[str, Any], size: tuple[int, int]) -> dict[str, Any]:
    sides = {name: _number(raw.get(name), 5, 2000) for name in ("width", "height")}
    return {"corners": _points(raw.get("corners"), 4, size), **sides}


def _points(raw: Any, count: int, size: tuple[int, int]) -> list[list[float]]:
    points = [_list(point, 2) for point in _list(raw, count)]
    return [[_number(value, 0, most) for value, most in zip(point, size, strict=True)] for point in points]


def _list(raw: Any, count: int) -> list[Any]:
    if not isinstance(raw, list) or len(raw) != count:
        raise Unreadable(_("A point is missing. Tap it again."))
    return raw


def _number(raw: Any, low: float, high: float) -> float:
    if isinstance(raw, bool) or not isinstance(raw, (int, float)) or not low <= raw <= high:
        raise Unreadable(_("A number is out of its range: %(low)g to %(high)g.") % {"low": low, "high": high})
    return float(raw)


def _no(name: str) -> None:
    raise ValueError(name)
