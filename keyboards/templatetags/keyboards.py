"""What templates may say about keys: lengths in the person's unit, the small row, the legend of grades."""

from django import template
from django.utils.safestring import SafeString, mark_safe

from keyboards import pictures
from keyboards.core.quantities import ANGLE, LENGTH, QUANTITIES, show

register = template.Library()


@register.filter
def length(canonical: int | None, unit: str = "mm") -> str:
    """Micrometres in the person's unit, without the unit: 5620 -> "5.62" or "0.221"."""
    if canonical is None:
        return "–"
    return show(canonical, unit, 3 if unit == "in" else 2)


@register.filter
def angle(canonical: int | None) -> str:
    """Thousandths of a degree in degrees: 1500 -> "1.5"."""
    return "–" if canonical is None else show(canonical, "deg", 1)


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


@register.inclusion_tag("components/set_row.html")
def set_row(job, uid: str = "set", before=None, paper: bool = False):
    """The set's row large, from its newest check (before a moment), with the legend; nothing where nothing was read."""
    return {"row": pictures.set_row(job, uid=uid, before=before, paper=paper), "paper": paper}


@register.inclusion_tag("components/legend.html")
def grade_legend(counts: dict[str, int] | None = None):
    """The legend of grades, with counts (pictures.counts_of) where they are given."""
    rows = [
        {"grade": grade, "word": word, "count": (counts or {}).get(str(grade))}
        for grade, word in pictures.grade_words().items()
    ]
    return {"rows": rows, "counts": counts}


def unit_of(quantity: str, person_unit: str) -> str:
    """The unit a quantity is shown in to this person."""
    dimension = QUANTITIES[quantity].dimension
    return person_unit if dimension == LENGTH else "°" if dimension == ANGLE else dimension
