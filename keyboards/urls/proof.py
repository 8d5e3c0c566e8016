"""Final check, hand-off report, keyframe label, comparing checks."""

from django.urls import path

from keyboards.views import comebacks, compare, learning, proof, shares

urlpatterns = [
    path("jobs/<tag:number>/final/", proof.final_verdicts, name="final_verdicts"),
    path("jobs/<tag:number>/final/back/", proof.final_send_back, name="final_send_back"),
    path("jobs/<tag:number>/final/again/", proof.final_read_again, name="final_read_again"),
    path("jobs/<tag:number>/checks/<int:pk>/release/", proof.check_release, name="check_release"),
    path("jobs/<tag:number>/handoff.pdf", proof.handoff_pdf, name="handoff_pdf"),
    path("jobs/<tag:number>/bench-sheet.pdf", proof.bench_sheet, name="bench_sheet"),
    path("jobs/<tag:number>/label.pdf", proof.keyframe_label, name="keyframe_label"),
    path("jobs/<tag:number>/links/", shares.share_list, name="share_list"),
    path("jobs/<tag:number>/links/<int:share_id>/withdraw/", shares.share_withdraw, name="share_withdraw"),
    path("shared/<str:token>/", shares.shared, name="shared"),
    path("shared/<str:token>/readings.csv", shares.shared_csv, name="shared_csv"),
    path("shared/<str:token>/readings.json", shares.shared_json, name="shared_json"),
    path("shared/<str:token>/report.pdf", shares.shared_pdf, name="shared_pdf"),
    path("jobs/<tag:number>/comebacks/new/", comebacks.comeback_add, name="comeback_add"),
    path("jobs/<tag:number>/comebacks/<int:pk>/", comebacks.comeback_edit, name="comeback_edit"),
    path("office/learning/", learning.learning, name="learning"),
    path("office/learning/chances/", learning.chances_accept, name="chances_accept"),
    path("records/instruments/<int:instrument_id>/compare/", compare.checks_compare, name="checks_compare"),
    path("records/instruments/<int:instrument_id>/compare.csv", compare.checks_compare_csv, name="checks_compare_csv"),
]
