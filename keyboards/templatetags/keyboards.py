"""What templates may say about keys: lengths in the person's unit, the small row, the legend of grades."""

from dataclasses import dataclass
from html import escape

from django import template
from django.db.models import Count, Q
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from keyboards import advising, drafting, pictures
from keyboards.core.keys import format_keys
from keyboards.core.quantities import show
from keyboards.documents import handoff
from keyboards.forms.cauls import CaulForm
from keyboards.forms.photos import PhotoForm
from keyboards.models import Check, CheckKind, Comeback, Compass, Decision, GaugeKind, KeyReading
from keyboards.pins import pin_sizes
from keyboards.progressing import progress_of
from keyboards.proving import newest_final, proof_of, renewed_keys, worked_since
from keyboards.sheets import Row, Sheet
from keyboards.workflow import pricing
from shop.access import DESK, TECHNICIAN, may
from shop.models import EstimateState

register = template.Library()

_LOOKED_AT = Count("keys", filter=Q(keys__grade__isnull=False))  # a key that was skipped was not


@register.filter
def measure(canonical: int | None, unit: str = "mm") -> str:
    """Micrometres in the person's unit, without the unit: 5620 -> "5.62" or "0.221"."""
    if canonical is None:
        return "–"
    return show(canonical, unit, 3 if unit == "in" else 2)


@register.filter
def angle(canonical: int | None) -> str:
    """Thousandths of a degree in degrees: 1500 -> "1.5"."""
    return "–" if canonical is None else show(canonical, "deg", 1)


@register.filter
def angle_fine(canonical: int) -> str:
    """Thousandths of a degree to a hundredth: 546 -> "0.55"."""
    return show(canonical, "deg", 2)


@register.filter
def key_list(keys: list[int]) -> str:
    """Key numbers as people write them: 1–3, 12."""
    return format_keys(keys)


@register.filter
def has_row(job) -> bool:
    """Whether any key of the set has a grade yet."""
    return any(sign in "0123" for sign in job.grades)


@register.simple_tag
def small_row(job) -> SafeString:
    """The set's row in small. Made of numbers and escaped text only (keyboards/drawing)."""
    return mark_safe(pictures.small_row_svg(job))


@register.filter
def svg(text: str) -> SafeString:
    """Passes on a drawing made by keyboards/drawing, which escapes every text that goes into it."""
    return mark_safe(text)


@register.simple_tag
def sheet_rows(sheet: Sheet, address: str) -> SafeString:
    """The rows of the sheet; a key's page lies below the address. Written here: a template takes five times as long
    over a thousand cells."""
    gone, broken = escape(_("did not come")), escape(_("broken"))
    return mark_safe("\n".join(_sheet_row(row, len(sheet.columns), address, gone, broken) for row in sheet.rows))


def _sheet_row(row: Row, columns: int, address: str, gone: str, broken: str) -> str:
    signs = {"missing": row.missing, "sharp": row.sharp, "unwanted": not row.wanted}
    classes = " ".join(sign for sign, there in signs.items() if there)
    class_ = f' class="{classes}"' if classes else ""
    begin = f'<tr id="key-{row.key}"{class_} data-key="{row.key}"><th scope="row">'
    name = f"{row.key} <span>{row.name}</span>"
    if row.missing:
        return f'{begin}{name}</th><td class="words" colspan="{columns + 3}">{gone}</td></tr>'
    page = f"{address}{row.key}/"
    state = f" <span>{broken}</span>" if row.broken else ""
    cells = "".join(
        f'<td class="{cell.mark}" title="{escape(cell.why)}"><span class="figure">{escape(cell.text)}</span></td>'
        if cell.mark
        else f'<td><span class="figure">{escape(cell.text)}</span></td>'
        for cell in row.cells
    )
    found = f'<a href="{page}#findings">{escape(row.findings)}</a>' if row.findings else ""
    grade = "x" if row.grade is None else row.grade
    reason = f" ({escape(row.grade_reason)})" if row.grade_reason else ""
    return (
        f'{begin}<a href="{page}">{name}</a>{state}</th>{cells}<td class="words">{found}</td>'
        f'<td class="words"><span class="grade g{grade}">{escape(row.grade_word)}{reason}</span></td>'
        f'<td class="words"><span class="figure">{escape(row.note)}</span></td></tr>'
    )


@register.inclusion_tag("components/set_row.html")
def set_row(job, uid: str = "set", before=None, paper: bool = False):
    """The set's row large, from its newest check (before a moment), with the legend; nothing where nothing was read."""
    return {"row": pictures.set_row(job, uid=uid, before=before, paper=paper), "paper": paper}


@register.inclusion_tag("keyboards/photos/_of_estimate.html")
def estimate_photos(estimate, token: str = "", paper: bool = False):
    """The photos an estimate shows: through the client's link where a token is given, on paper, or for ourselves."""
    return {"photos": pictures.photos_of(estimate), "token": token, "paper": paper, "job": estimate.job}


@register.inclusion_tag("keyboards/photos/_choices.html")
def photo_choices(estimate, chosen):
    """Boxes to tick: which of the set's photos the client sees."""
    ticked = {str(photo) for photo in chosen}
    photos = [(photo, str(photo.op) in ticked) for photo in pictures.photos_for(estimate.job)]
    return {"photos": photos, "job": estimate.job}


@register.inclusion_tag("components/legend.html")
def grade_legend(counts: dict[str, int] | None = None, *, after: bool = False):
    """The legend of grades, with counts (pictures.counts_of) where they are given; after: those of a final check."""
    rows = [
        {"grade": grade, "word": word, "count": (counts or {}).get(str(grade))}
        for grade, word in pictures.grade_words(after=after).items()
    ]
    return {"rows": rows, "counts": counts}


@dataclass(frozen=True)
class SetOfKeys:
    """The keys of a set in words: "87 of 88 keys, A0 to C8", "1–3, 12"; "" where there is nothing to say."""

    compass: Compass
    count: str
    missing: str
    broken: str
    stamps: str


@register.simple_tag
def set_of_keys(job) -> SetOfKeys | None:
    """What keys came with the job; None for a job without a compass."""
    compass = Compass.objects.filter(job=job).first()
    if compass is None:
        return None
    keys, here = compass.keys, len(compass.present)
    ends = {"count": compass.count, "here": here, "first": keys.name(1), "last": keys.name(compass.count)}
    words = (
        _("%(count)d keys, %(first)s to %(last)s")
        if here == compass.count
        else _("%(here)d of %(count)d keys, %(first)s to %(last)s")
    )
    return SetOfKeys(
        compass=compass,
        count=words % ends,
        missing=format_keys(compass.missing),
        broken=format_keys(compass.broken),
        stamps=compass.stamps,
    )


@register.inclusion_tag("keyboards/compasses/_panel.html")
def compass_panel(job):
    """The keys of the set, with the way to put them right."""
    return {"job": job, "keys": set_of_keys(job)}


_CHECK_STAGES = {
    "arrival_check": CheckKind.ARRIVAL,
    "stripped_check": CheckKind.STRIPPED,
    "final_check": CheckKind.FINAL,
}


@register.inclusion_tag("keyboards/checks/_step.html")
def check_step(job):
    """The main button where the set stands at a check: go on with it, what a closed one says, or begin one."""
    kind = _CHECK_STAGES[job.stage]
    final = job.checks.of_kind(kind).closed().order_by("-begun_at").first() if kind == CheckKind.FINAL else None
    return {
        "job": job,
        "stopped": kind == CheckKind.STRIPPED and job.checks.of_kind(kind).closed().exists(),
        "kind": kind.value,
        "kind_words": kind.label,
        "judged": final is not None and not worked_since(job, final.closed_at),
        "redone": final is not None,
        "check": job.checks.of_kind(kind).filter(closed_at__isnull=True).first(),
    }


@register.inclusion_tag("keyboards/pricing/_panel.html", takes_context=True)
def found_panel(context, job):
    """What stripping found beyond what was agreed, while the set stands there. No query where it does not."""
    if job.stage != "stripped_check" or not may(context["user"], TECHNICIAN):
        return {"found": None}
    newer = job.estimates.filter(state__in=(EstimateState.DRAFT, EstimateState.SENT)).first()
    return {"found": pricing.found_beyond(job), "job": job, "newer": newer}


@register.inclusion_tag("keyboards/specs/_standing.html", takes_context=True)
def drawing_standing(context, job, brief=False):
    """Shouts where the newest button drawing of a set in the shop does not hold any more; in a word where brief."""
    return {"it": None if job.left_at else drafting.standing(job, context["user"].units), "job": job, "brief": brief}


@register.inclusion_tag("keyboards/checks/_of_instrument.html")
def instrument_checks(instrument):
    """Every check that keyboards of this piano ever had, the newest first."""
    checks = Check.objects.filter(job__instrument=instrument).select_related("job", "begun_by", "gauge")
    return {"instrument": instrument, "checks": checks.annotate(read=_LOOKED_AT).order_by("-begun_at")}


@register.inclusion_tag("keyboards/progress/_panel.html", takes_context=True)
def progress_panel(context, stage):
    """Which keys of a stage are done, to be tapped by who may work at it; nothing where work is not key by key."""
    may_tick = may(context["user"], TECHNICIAN)
    return {"progress": progress_of(stage), "stage": stage, "job": stage.job, "may": may_tick}


@register.inclusion_tag("keyboards/comebacks/_panel.html", takes_context=True)
def comebacks_panel(context, job):
    """What came back of a set that has gone home, with the way to write more down."""
    rows = Comeback.objects.filter(job=job).select_related("job", "lot__material", "visit")
    return {"job": job, "rows": rows, "may_add": may(context["user"], DESK, TECHNICIAN)}


@register.inclusion_tag("keyboards/cauls/_panel.html", takes_context=True)
def cauls_panel(context, stage):
    """Which final caul was used, where cloth is put in. No query at other stages."""
    if stage.kind != "cloth":
        return {}
    form = CaulForm(job=stage.job, unit=context["user"].units)
    return {"stage": stage, "job": stage.job, "caul_form": form, "may": may(context["user"], TECHNICIAN)}


@register.inclusion_tag("keyboards/proof/_left.html", takes_context=True)
def as_it_left(context, job):
    """What whoever opens the set again asks first: how it passed, new buttons, pins and cauls, the guarantee."""
    proof, units = proof_of(job), context["user"].units
    renewed, _why = renewed_keys(job, proof.before)
    return {
        "proof": proof,
        "result": handoff.result_words(proof),
        "renewed": format_keys(renewed),
        "pins": pin_sizes(proof, units),
        "units": units,
        "guarantee": handoff.guarantee_words(job, context["workshop"].guarantee_months),
    }


@register.simple_tag
def comebacks_of(instrument) -> list[Comeback]:
    """Everything of a piano that came back, the newest first."""
    rows = Comeback.objects.filter(job__instrument=instrument).select_related("job", "lot__material", "visit")
    return list(rows.order_by("-reported_on"))


@register.inclusion_tag("keyboards/advice/_panel.html", takes_context=True)
def advice_panel(context, job):
    """The newest decision on the set, for those who may open the advice."""
    decision = Decision.objects.filter(job=job).select_related("by").first()
    return {
        "job": job,
        "user": context["user"],
        "decision": decision,
        "parts": [
            f"{row['title']} {row['first']}–{row['last']}: {advising.option_title(row['chosen'])}"
            for row in (decision.sections if decision else [])
        ],
        "read": decision is not None or KeyReading.objects.filter(check_done__job=job).exists(),
    }


@register.inclusion_tag("keyboards/checks/_panel.html", takes_context=True)
def checks_panel(context, job):
    """The checks of the set with a button for each kind that may be begun, for those who read keys."""
    checks = list(job.checks.select_related("begun_by").annotate(read=_LOOKED_AT).order_by("-begun_at", "-id"))
    under_way = {check.kind for check in checks if not check.closed_at}
    kinds = [CheckKind.VISIT] if job.left_at else list(CheckKind)
    return {
        "job": job,
        "checks": checks,
        "brings": may(context["user"], TECHNICIAN),
        "kinds": [
            {"slug": kind.value, "words": _("Begin: %(check)s") % {"check": kind.label}}
            for kind in kinds
            if kind not in under_way and may(context["user"], TECHNICIAN)
        ],
    }


@register.inclusion_tag("keyboards/photos/_panel.html", takes_context=True)
def photos_panel(context, job, check=None, key=None):
    """Photos of the set, of one check of it, or of one key through all its checks, with the form that adds some."""
    photos = job.photos.select_related("by")
    if key is not None:
        photos = photos.filter(key=key)
    elif check is not None:
        photos = photos.filter(check_done=check)
    photos = list(photos)
    for photo in photos:
        photo.words = _("Key %(key)d") % {"key": photo.key} if photo.key else _("The set")
    form = PhotoForm(job=job, initial={"key": key, "check": check.pk if check else None})
    title = _("Photos of this key") if key is not None else _("Photos")
    return {
        "job": job,
        "photos": photos,
        "form": form,
        "title": title,
        "next": context["request"].get_full_path(),
        "may_measure": may(context["user"], TECHNICIAN),
    }


@register.inclusion_tag("keyboards/photos/_panel.html", takes_context=True)
def stage_photos(context, stage):
    """What was photographed at a stage of the route, with the form that adds some."""
    job = stage.job
    photos = list(job.photos.filter(stage=stage).select_related("by"))
    for photo in photos:
        photo.words = _("Key %(key)d") % {"key": photo.key} if photo.key else stage.title
    may_add = may(context["user"], TECHNICIAN) and not job.left_at
    return {
        "job": job,
        "photos": photos,
        "form": PhotoForm(job=job, initial={"stage": stage.pk}) if may_add else None,
        "title": _("Photos of this stage"),
        "next": context["request"].get_full_path(),
        "may_measure": False,
    }


@register.filter
def thousandths(canonical: int) -> str:
    """An instrument's figure as the data sheet has it: 10 -> "0.01", 500 -> "0.5"."""
    return show(canonical, "mm", 3).rstrip("0").rstrip(".")


@register.filter
def gauge_sign(gauge) -> str:
    """The unit an instrument's figures are in: a bevel measures angles."""
    return "°" if gauge.kind == GaugeKind.BEVEL else "mm"


@register.inclusion_tag("keyboards/proof/_panel.html")
def proof_panel(job):
    """The newest final check in a line, with the ways to its verdicts, the report and the label. One query."""
    return {"job": job, "check": newest_final(job)}
