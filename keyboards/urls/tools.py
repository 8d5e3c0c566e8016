"""Specs of buttons, cloth to cut, and tools for the bench, on a set or free."""

from django.urls import path

from keyboards.views import specs, strips, tools

urlpatterns = [
    path("jobs/<tag:number>/spec/", specs.spec, name="spec"),
    path("jobs/<tag:number>/spec/parts/new/", specs.part_new, name="part_new"),
    path("jobs/<tag:number>/spec/parts/<int:part_id>/", specs.part_edit, name="part_edit"),
    path("jobs/<tag:number>/cloth/", strips.cloth_strips, name="cloth_strips"),
    path("bench/tools/", tools.tools, name="tools"),
    path("bench/tools/<slug:slug>/", tools.tool_detail, name="tool_detail"),
]
