"""Readings of invented keyboards for the demonstration: drift, noise, outliers and damage from one seed a set.

Nothing here is measured on a real keyboard, and nothing outside the demonstration uses it.
"""

import random
from collections.abc import Sequence
from dataclasses import dataclass, field

from keyboards.core.grading import DROP
from keyboards.core.keys import Compass


@dataclass(frozen=True)
class Make:
    """How an invented maker built a set, and what years did to it. Lengths in mm, angles in degrees.

    drift is what the mortise width gains from the first key to the last; torn and cracked are key numbers; worn is
    the share of the remaining keys whose cloth shows wear; skew is a list of (last key, angle) steps, or two angles
    from `fan_from` to the last key.
    """

    seed: int
    mortise: float = 5.55
    drift: float = 0.0
    noise: float = 0.022
    pin: float = 3.70
    worn: float = 0.6
    torn: Sequence[int] = ()
    cracked: Sequence[int] = ()
    loose: Sequence[int] = ()
    moth: Sequence[int] = ()
    outliers: Sequence[int] = ()
    skew: Sequence[tuple[int, float]] = ()
    fan_from: int = 0
    fan_to: float = 0.0
    button: tuple[float, float, float] = (40.0, 13.2, 8.0)
    slot: float = 14.0
    play: float = 0.75


@dataclass
class KeyRead:
    """What is read on one key: quantity -> value as typed, finding -> severity, a note."""

    key: int
    values: dict[str, str] = field(default_factory=dict)
    findings: dict[str, int] = field(default_factory=dict)
    note: str = ""


def skew_of(make: Make, key: int, count: int) -> float:
    """The angle the maker cut at this key."""
    if make.fan_from and key >= make.fan_from:
        return make.fan_to * (key - make.fan_from) / (count - make.fan_from)
    for last, angle in make.skew:
        if key <= last:
            return angle
    return 0.0


def arrival(make: Make, compass: Compass, keys: Sequence[int]) -> list[KeyRead]:
    """An arrival check: widths, pins, side play, angles, a button's size now and then, what is seen."""
    chance = random.Random(make.seed)
    out = []
    for key in compass.keys:
        place = (key - 1) / (compass.count - 1)
        read = KeyRead(key)
        width = make.mortise + make.drift * place + chance.gauss(0, make.noise)
        if key in make.torn:
            width += chance.uniform(0.22, 0.42)
        if key in make.outliers:
            width += chance.choice((-0.2, 0.3))
        play = make.play + chance.gauss(0, 0.09) + (0.35 if key in make.torn else 0)
        read.values["balance_mortise_width"] = f"{width:.2f}"
        read.values["balance_pin"] = f"{make.pin + chance.gauss(0, 0.006):.2f}"
        read.values["side_play"] = f"{max(play, 0.1):.2f}"
        read.values["skew"] = f"{skew_of(make, key, compass.count) + chance.gauss(0, 0.18):.1f}"
        if key % 8 == 1:
            length, button_width, height = make.button
            read.values["button_length"] = f"{length + chance.gauss(0, 0.15):.1f}"
            read.values["button_width"] = f"{button_width + chance.gauss(0, 0.08):.1f}"
            read.values["button_height"] = f"{height + chance.gauss(0, 0.08):.1f}"
            read.values["slot_length"] = f"{make.slot + chance.gauss(0, 0.1):.1f}"
        worn = chance.random() < make.worn
        if key in make.torn:
            read.findings["mortise_torn"] = chance.choice((2, 3))
        if key in make.cracked:
            read.findings["button_cracked"] = 3
        if key in make.loose:
            read.findings["button_loose"] = 2
        if key in make.moth:
            read.findings["cloth_moth"] = 3
        elif worn:
            read.findings["cloth_worn_through" if chance.random() < 0.25 else "cloth_worn"] = chance.choice((1, 2, 2))
        if key in keys:
            out.append(read)
    return out


def stripped(make: Make, compass: Compass, keys: Sequence[int], *, more_torn: Sequence[int] = ()) -> list[KeyRead]:
    """A stripped check: bare widths again, and wood that only shows now."""
    chance = random.Random(make.seed + 1)
    out = []
    for read in arrival(make, compass, keys):
        width = float(read.values["balance_mortise_width"]) + chance.gauss(0, 0.012)
        bare = KeyRead(read.key, {"balance_mortise_width": f"{width:.2f}"})
        bare.values["balance_pin"] = read.values["balance_pin"]
        bare.findings = {code: grade for code, grade in read.findings.items() if not code.startswith("cloth_")}
        if read.key in more_torn:
            bare.findings["mortise_torn"] = 2
            bare.values["balance_mortise_width"] = f"{width + 0.24:.2f}"
        out.append(bare)
    return out


def near_the_limit(keys: Sequence[int]) -> list[KeyRead]:
    """Side play that lies within its uncertainty of the limit, read four times more."""
    return [KeyRead(key, {"side_play": value}) for key in keys for value in ("0.72", "0.70", "0.71", "0.69")]


def final(
    make: Make,
    compass: Compass,
    keys: Sequence[int],
    *,
    failing: Sequence[int] = (),
    near: Sequence[int] = (),
    held_up: Sequence[int] = (),
    new_buttons: bool = False,
) -> list[KeyRead]:
    """A final check: side play at the fingertip, dip, level and angle after the work; the keys that do not fall. Of new
    buttons the sizes too, now and then."""
    chance = random.Random(make.seed + 2)
    out = []
    for key in keys:
        play = chance.gauss(0.48, 0.035) + (0.55 if key in failing else 0)
        play = 0.71 if key in near else play
        read = KeyRead(key)
        read.values["side_play"] = f"{play:.2f}"
        read.values["skew"] = f"{skew_of(make, key, compass.count) + chance.gauss(0, 0.12):.1f}"
        read.values["dip"] = f"{chance.gauss(10.0, 0.08):.1f}"
        read.values["level"] = f"{chance.gauss(0, 0.06):.2f}"
        if new_buttons and key % 8 == 1:
            for size, wanted in zip(("button_length", "button_width", "button_height"), make.button, strict=True):
                read.values[size] = f"{wanted + chance.gauss(0, 0.05):.1f}"
        if key in held_up:
            read.findings[DROP] = 2
        out.append(read)
    return out
