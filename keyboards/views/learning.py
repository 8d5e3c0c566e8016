"""What all sets together teach, for the owner."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from keyboards import learning as lessons
from keyboards.workflow.decisions import assumptions_keep
from shop.access import OWNER, PersonRequest, allowed


@require_safe
@allowed(OWNER)
def learning(request: PersonRequest) -> HttpResponse:
    """What was found, what was overruled, what the work did, what came back."""
    came = lessons.came_back()
    decisions, against = lessons.overruled()
    found = lessons.found_in()
    chances = lessons.chances()
    context = {
        "came": came,
        "chances": chances,
        "any_differs": any(chance.differs for chance in chances),
        "found": found,
        "fewest": lessons.FEWEST,
        "decisions": decisions,
        "against": against,
        "pictures": lessons.pictures(found, request.user.units),
    }
    return render(request, "keyboards/learning/learning.html", context)


@require_POST
@allowed(OWNER)
def chances_accept(request: PersonRequest) -> HttpResponse:
    """Takes the learned chances that are ticked into the shop's assumptions."""
    proposed = {chance.name: chance.proposed for chance in lessons.chances() if chance.differs}
    ticked = [name for name in request.POST.getlist("chance") if name in proposed]
    if not ticked:
        messages.error(request, _("Nothing was ticked, so nothing changed."))
        return redirect("learning")
    assumptions_keep(job=None, values={name: proposed[name] for name in ticked}, by=request.user)
    messages.success(request, _("Taken into the assumptions of the shop. Every new advice reckons with them."))
    return redirect("learning")
