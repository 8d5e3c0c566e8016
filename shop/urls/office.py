"""The office: prices, estimates, bills, letters, what waits for whom; the client's page behind the link in a letter."""

from django.urls import path

from shop.views import answers, bills, estimates, health, hours, letters, office, prices

_estimate = "estimates/<estimate:number>/"
_bill = "bills/<int:bill_id>/"
_link = "estimate/<str:token>/"

urlpatterns = [
    path("office/", office.office, name="office"),
    path("office/program/", health.program, name="program"),
    path("office/program/back-up/", health.backup_now, name="backup_now"),
    path("office/prices/", prices.price_list, name="price_list"),
    path("office/prices/add/", prices.price_add, name="price_add"),
    path("office/prices/import/", prices.price_import, name="price_import"),
    path("office/prices/prices.csv", prices.price_csv, name="price_csv"),
    path("office/prices/<int:operation_id>/", prices.price_edit, name="price_edit"),
    path("office/prices/<int:operation_id>/retire/", prices.price_retire, name="price_retire"),
    path("office/prices/later/<int:price_id>/", prices.price_withdraw, name="price_withdraw"),
    path("office/taxes/", prices.tax_list, name="tax_list"),
    path("office/taxes/<int:tax_id>/", prices.tax_delete, name="tax_delete"),
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
    path(f"{_estimate}remind/", estimates.estimate_remind, name="estimate_remind"),
    path(f"{_estimate}link/withdraw/", estimates.link_withdraw, name="link_withdraw"),
    path(f"{_estimate}answer/", estimates.answer_take, name="answer_take"),
    path(f"{_estimate}questions/<int:answer_id>/", estimates.question_reply, name="question_reply"),
    path(f"{_estimate}deposit/", estimates.deposit_receive, name="deposit_receive"),
    path("office/bills/", bills.bill_list, name="bill_list"),
    path("office/hours/", hours.hours_learn, name="hours_learn"),
    path("office/books/", bills.book_export, name="book_export"),
    path("office/books/bills.csv", bills.bills_csv, name="bills_csv"),
    path("office/books/payments.csv", bills.payments_csv, name="payments_csv"),
    path("jobs/<tag:number>/bill/", bills.bill_new, name="bill_new"),
    path("jobs/<tag:number>/payments/new/", bills.payment_new, name="payment_new"),
    path(_bill, bills.bill_detail, name="bill_detail"),
    path(f"{_bill}issue/", bills.bill_issue, name="bill_issue"),
    path(f"{_bill}discard/", bills.bill_discard, name="bill_discard"),
    path(f"{_bill}cancel/", bills.bill_cancel, name="bill_cancel"),
    path(f"{_bill}send/", bills.bill_send, name="bill_send"),
    path(f"{_bill}bill.pdf", bills.bill_pdf_view, name="bill_pdf"),
    path("payments/<int:payment_id>/correct/", bills.payment_correct, name="payment_correct"),
    path("payments/<int:payment_id>/receipt.pdf", bills.payment_receipt_pdf, name="payment_receipt"),
    path(_link, answers.estimate_answer, name="estimate_answer"),
    path(f"{_link}yes/", answers.answer_yes, name="answer_yes"),
    path(f"{_link}no/", answers.answer_no, name="answer_no"),
    path(f"{_link}question/", answers.answer_question, name="answer_question"),
    path(f"{_link}estimate.pdf", answers.answer_pdf, name="answer_pdf"),
]
