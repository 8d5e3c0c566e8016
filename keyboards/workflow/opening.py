"""The trade's starting values: the list of findings, the shop's measuring instruments. All are the shop's to edit."""

from django.utils.translation import gettext as _

from keyboards.core.grading import DROP
from keyboards.models import Finding, FindingGroup, Gauge, GaugeKind


def _findings() -> list[Finding]:
    cloth, mortise, button, hole = (
        FindingGroup.CLOTH,
        FindingGroup.MORTISE,
        FindingGroup.BUTTON,
        FindingGroup.HOLE,
    )
    pin, stick, top, lead = FindingGroup.PIN, FindingGroup.STICK, FindingGroup.TOP, FindingGroup.LEAD
    rows = [
        ("cloth_worn", cloth, _("Cloth worn"), 1),
        ("cloth_worn_through", cloth, _("Cloth worn through"), 1),
        ("cloth_torn", cloth, _("Cloth torn"), 1),
        ("cloth_missing", cloth, _("Cloth missing"), 1),
        ("cloth_moth", cloth, _("Cloth moth-eaten"), 1),
        ("cloth_glue", cloth, _("Cloth hard with glue"), 1),
        ("cloth_tight", cloth, _("Cloth too tight"), 1),
        (DROP, cloth, _("Does not fall by its own weight"), 1),
        ("mortise_oversize", mortise, _("Mortise oversize"), 2),
        ("mortise_torn", mortise, _("Wood torn"), 2),
        ("mortise_crushed", mortise, _("Wood crushed"), 2),
        ("mortise_chipped", mortise, _("Wood chipped"), 2),
        ("mortise_glue_ridge", mortise, _("Glue ridge in the mortise"), 1),
        ("mortise_shim", mortise, _("Earlier shim"), 2),
        ("mortise_off_centre", mortise, _("Mortise off centre"), 2),
        ("mortise_thin_wall", mortise, _("Thin wall"), 2),
        ("button_loose", button, _("Button loose"), 3),
        ("button_cracked", button, _("Button cracked"), 3),
        ("button_split", button, _("Button split at the edge"), 3),
        ("button_wrong", button, _("Wrong part"), 3),
        ("hole_loose", hole, _("Balance hole loose"), 2),
        ("hole_oval", hole, _("Balance hole oval"), 2),
        ("hole_split", hole, _("Balance hole split"), 2),
        ("hole_tight", hole, _("Balance hole tight"), 0),
        ("pin_corroded", pin, _("Pin corroded"), 0),
        ("pin_pitted", pin, _("Pin pitted"), 0),
        ("pin_bent", pin, _("Pin bent"), 0),
        ("pin_loose", pin, _("Pin loose in the rail"), 0),
        ("pin_turned", pin, _("Pin turned"), 0),
        ("stick_broken", stick, _("Stick broken"), 2),
        ("stick_cracked", stick, _("Stick cracked at the balance hole"), 2),
        ("stick_warped", stick, _("Stick warped"), 0),
        ("stick_twisted", stick, _("Stick twisted"), 0),
        ("stick_splice", stick, _("Earlier splice"), 0),
        ("top_loose", top, _("Keytop loose"), 0),
        ("top_chipped", top, _("Keytop chipped"), 0),
        ("top_missing", top, _("Keytop missing"), 0),
        ("lead_oxide", lead, _("White oxide on a lead"), 0),
        ("lead_swollen", lead, _("Lead swollen"), 0),
        ("lead_loose", lead, _("Lead loose"), 0),
    ]
    return [
        Finding(code=code, group=group, title=title, grade=grade, position=place * 10)
        for place, (code, group, title, grade) in enumerate(rows, start=1)
    ]


def open_trade() -> None:
    """Makes what is not there yet; runs twice safely."""
    have = set(Finding.objects.values_list("code", flat=True))
    Finding.objects.bulk_create([finding for finding in _findings() if finding.code not in have])
    if not Gauge.objects.exists():
        Gauge.objects.bulk_create(
            [
                Gauge(name=_("Digital caliper"), kind=GaugeKind.CALIPER, resolution=10, error=30),
                Gauge(name=_("Micrometer"), kind=GaugeKind.MICROMETER, resolution=1, error=4),
                Gauge(name=_("Digital bevel"), kind=GaugeKind.BEVEL, resolution=100, error=200),
            ]
        )
