"""Cautions: shown where the work happens and printed on bench sheets and reports.

They name dangers and defer to local rules and licensed practice; they never replace either.
"""

from dataclasses import dataclass

from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _


@dataclass(frozen=True)
class Caution:
    """A danger: its name and what to do about it, both translated when shown."""

    title: str | Promise
    text: str | Promise


CAUTIONS: dict[str, Caution] = {
    "lead": Caution(
        _("Lead"),
        _(
            "Key leads and their white oxide are toxic by breath and mouth. No dry sanding, no blowing. Gloves, wet"
            " wipe, wash hands before eating. Local rules on lead decide (one example: OSHA 29 CFR 1910.1025,"
            " limit 50 micrograms per m³, action level 30)."
        ),
    ),
    "dust": Caution(
        _("Wood dust"),
        _(
            "Hardwood dust can cause cancer. Extraction at the machine and a mask. Local limits decide (one example:"
            " 2 mg/m³ in the European Union)."
        ),
    ),
    "felt": Caution(
        _("Old felt and moth-proofing"),
        _("Treat the dust of old cloth as contaminated: mask, suction, no blowing, bag the waste."),
    ),
    "glue": Caution(
        _("Hot glue, steam and solvents"),
        _("Burns, fire and fumes. Read the data sheet, ventilate, keep flames away."),
    ),
    "machines": Caution(
        _("Saws and machines"),
        _("Guards on, jigs for small parts, hands away from the blade; only people trained on the machine."),
    ),
    "lifting": Caution(
        _("Lifting"),
        _("A keyframe with its action is lifted by two people."),
    ),
    "ivory": Caution(
        _("Ivory keytops"),
        _(
            "Sale, shipping and crossing borders are restricted (CITES; national rules differ). Ask the authority"
            " first. This program never says that a sale is allowed."
        ),
    ),
    "drawing": Caution(
        _("Before cutting"),
        _("Check the button drawing against the original key before anything is cut."),
    ),
}
