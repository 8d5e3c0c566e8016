"""The office: prices, estimates, letters, what waits for whom; and the client's page behind the link in a letter."""

from django.urls import path

from shop.views import answers, estimates, letters, office, prices

_estimate = "estimates/<estimate:number>/"
_link = "estimate/<str:token>/"

urlpatterns = [
    path("office/", office.office, name="office"),
    path("office/prices/", prices.price_list, name="price_list"),
    path("office/prices/add/", prices.price_add, name="price_add"),
    path("office/prices/import/", prices.price_import, name="price_import"),
    path("office/prices/prices.csv", prices.price_csv, name="price_csv"),
    path("office/prices/<int:operation_id>/", prices.price_edit, name="price_edit"),
    path("office/prices/<int:operation_id>/retire/", prices.price_retire, name="price_retire"),
    path("office/letters/", letters.letter_list, name="letter_list"),
    path("office/letters/<int:letter_id>/", letters.letter_detail, name="letter_detail"),
    path("office/letters/<int:letter_id>/send/", letters.letter_send, name="letter_send"),
    path(
        "office/letters/<int:letter_id>/attachments/<int:attachment_id>/",
        letters.letter_attachment,
        name="letter_attachment",
    ),
    path("jobs/<tag:number>/estimates/new/", estimates.estimate_new, name="estimate_new"),
    path(_estimate, estimates.estimate_detail, name="estimate_detail"),
    path(f"{_estimate}totals/", estimates.estimate_totals, name="estimate_totals"),
    path(f"{_estimate}estimate.pdf", estimates.estimate_pdf_view, name="estimate_pdf"),
    path(f"{_estimate}preview/", estimates.estimate_preview, name="estimate_preview"),
    path(f"{_estimate}send/", estimates.estimate_send, name="estimate_send"),
    path(f"{_estimate}new-version/", estimates.estimate_new_version, name="estimate_new_version"),
    path(f"{_estimate}discard/", estimates.estimate_discard, name="estimate_discard"),
    path(f"{_estimate}withdraw/", estimates.estimate_withdraw, name="estimate_withdraw"),
    path(f"{_estimate}link/", estimates.link_resend, name="link_resend"),
    path(f"{_estimate}link/withdraw/", estimates.link_withdraw, name="link_withdraw"),
    path(f"{_estimate}answer/", estimates.answer_take, name="answer_take"),
    path(f"{_estimate}questions/<int:answer_id>/", estimates.question_reply, name="question_reply"),
    path(f"{_estimate}deposit/", estimates.deposit_receive, name="deposit_receive"),
    path(_link, answers.estimate_answer, name="estimate_answer"),
    path(f"{_link}yes/", answers.answer_yes, name="answer_yes"),
    path(f"{_link}no/", answers.answer_no, name="answer_no"),
    path(f"{_link}question/", answers.answer_question, name="answer_question"),
    path(f"{_link}estimate.pdf", answers.answer_pdf, name="answer_pdf"),
]
