"""Advice, decisions, button specs; what an estimate takes from them."""

from django.urls import path

from keyboards.views import advice, drawings, pricing

urlpatterns = [
    path(
        "jobs/<tag:number>/decisions/<int:decision_id>/price/",
        pricing.estimate_from_decision,
        name="estimate_from_decision",
    ),
    path("jobs/<tag:number>/found/", pricing.stripping_found, name="stripping_found"),
    path("jobs/<tag:number>/found/within/", pricing.found_within, name="found_within"),
    path("jobs/<tag:number>/found/revise/", pricing.found_revise, name="found_revise"),
    path("jobs/<tag:number>/found/leave/", pricing.found_leave, name="found_leave"),
    path("jobs/<tag:number>/advice/", advice.advice, name="advice"),
    path("jobs/<tag:number>/drawings/", drawings.drawing_new, name="drawing_new"),
    path("jobs/<tag:number>/drawings/<int:version>.pdf", drawings.drawing_paper, name="drawing_paper"),
    path("jobs/<tag:number>/drawings/<int:version>.dxf", drawings.drawing_file, name="drawing_file"),
    path("jobs/<tag:number>/drawings/<int:version>.csv", drawings.drawing_list, name="drawing_list"),
    path("office/assumptions/", advice.shop_assumptions, name="shop_assumptions"),
    path("estimate/<str:token>/photos/<uuid:op>.jpg", pricing.estimate_photo, {"size": "large"}, name="estimate_photo"),
    path(
        "estimate/<str:token>/photos/<uuid:op>/small.jpg",
        pricing.estimate_photo,
        {"size": "small"},
        name="estimate_photo_small",
    ),
]
