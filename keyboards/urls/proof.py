"""Final check, hand-off report, keyframe label, comparing checks."""

from django.urls import path

from keyboards.views import proof

urlpatterns = [
    path("jobs/<tag:number>/final/", proof.final_verdicts, name="final_verdicts"),
    path("jobs/<tag:number>/checks/<int:pk>/release/", proof.check_release, name="check_release"),
    path("jobs/<tag:number>/handoff.pdf", proof.handoff_pdf, name="handoff_pdf"),
    path("jobs/<tag:number>/label.pdf", proof.keyframe_label, name="keyframe_label"),
]
