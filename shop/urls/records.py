"""The records: search, clients, instruments."""

from django.urls import path

from shop.views import records

urlpatterns = [
    path("records/", records.records, name="records"),
    path("records/instruments/<int:instrument_id>/", records.instrument_detail, name="instrument_detail"),
    path("records/clients/<int:client_id>/", records.client_detail, name="client_detail"),
]
