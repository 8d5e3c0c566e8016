"""Letters: what was written to clients, whether it went, and the way to try again."""

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import content_disposition_header
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe
from post_office.models import STATUS, Attachment, Email

from shop.access import OWNER, PersonRequest, allowed, fetch
from shop.workflow.letters import WAITING, letter_retry, state_of
from shop.workflow.refusal import Refused

_PAGE = 50


def _rows():
    return Email.objects.prefetch_related("logs", "attachments", "links__estimate", "answers__estimate")


def _state(letter: Email) -> tuple[str, str]:
    """Sentence and badge of a letter."""
    badge = "good" if letter.status == STATUS.sent else "late" if letter.status == STATUS.failed else "soon"
    return state_of(letter), badge


@require_safe
@allowed(OWNER)
def letter_list(request: PersonRequest) -> HttpResponse:
    """The newest letters first; what waits is said on top."""
    page = Paginator(_rows().order_by("-created", "-pk"), _PAGE).get_page(request.GET.get("page"))
    rows = [(letter, *_state(letter)) for letter in page]
    waiting = Email.objects.filter(status__in=WAITING).count()
    return render(request, "shop/letters/list.html", {"page": page, "rows": rows, "waiting": waiting})


@require_safe
@allowed(OWNER)
def letter_detail(request: PersonRequest, letter_id: int) -> HttpResponse:
    """One letter as the client gets it, its tries and what came with it."""
    letter = fetch(_rows(), pk=letter_id)
    sentence, badge = _state(letter)
    context = {
        "letter": letter,
        "sentence": sentence,
        "badge": badge,
        "logs": sorted(letter.logs.all(), key=lambda log: (log.date, log.pk)),
        "may_retry": letter.status != STATUS.sent,
        "estimates": [row.estimate for row in (*letter.links.all(), *letter.answers.all())],
    }
    return render(request, "shop/letters/detail.html", context)


@require_POST
@allowed(OWNER)
def letter_send(request: PersonRequest, letter_id: int) -> HttpResponse:
    """Tries a letter again now."""
    letter = fetch(Email.objects.all(), pk=letter_id)
    try:
        went = letter_retry(letter, by=request.user)
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        if went:
            messages.success(request, _("The letter has gone out."))
        else:
            messages.error(request, _("It did not go. The letter says why; it is tried again by itself."))
    return redirect("letter_detail", letter_id)


@require_safe
@allowed(OWNER)
def letter_attachment(request: PersonRequest, letter_id: int, attachment_id: int) -> HttpResponse:
    """What came with a letter. Shown for PDFs, saved for anything else."""
    attachment = fetch(Attachment.objects.filter(emails__pk=letter_id), pk=attachment_id)
    shown = attachment.mimetype == "application/pdf"
    with attachment.file.open("rb") as kept:
        response = HttpResponse(kept.read(), content_type=attachment.mimetype if shown else "application/octet-stream")
    response["Content-Disposition"] = content_disposition_header(not shown, attachment.name) or "attachment"
    return response
