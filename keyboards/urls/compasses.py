"""The keys of a set."""

from django.urls import path

from keyboards.views import compasses

urlpatterns = [
    path("jobs/<tag:number>/keys/edit/", compasses.compass_edit, name="compass_edit"),
]
