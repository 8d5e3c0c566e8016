"""Final check, hand-off report, keyframe label, comparing checks."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
