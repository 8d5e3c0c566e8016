"""The counter: sets coming in, the rack, one job's page, its paper; who works here and for which shop."""

from django.urls import path

from shop.views import (
    branches,
    clients,
    counter,
    counts,
    factors,
    instruments,
    jobs,
    opening,
    parcels,
    people,
    sessions,
    workshop,
)

_job = "jobs/<tag:number>/"
_person = "office/people/<int:person_id>/"

urlpatterns = [
    path("counter/", counter.counter, name="counter"),
    path("counter/log-in/", counter.job_log_in, name="job_log_in"),
    path("counter/clients/<int:client_id>/", clients.client_edit, name="client_edit"),
    path("counter/instruments/<int:instrument_id>/", instruments.instrument_edit, name="instrument_edit"),
    path("counter/clients/<int:client_id>/data/", clients.client_data, name="client_data"),
    path("counter/clients/<int:client_id>/data.json", clients.client_data_json, name="client_data_json"),
    path("counter/clients/<int:client_id>/erase/", clients.client_erase, name="client_erase"),
    path("counter/clients/<int:client_id>/erase-papers/", clients.papers_erase, name="papers_erase"),
    path("counter/clients/<int:client_id>/parcel/", parcels.client_parcel, name="client_parcel"),
    path("counter/instruments/<int:instrument_id>/parcel/", parcels.instrument_parcel, name="instrument_parcel"),
    path("scan/<tag:number>/", jobs.job_scan, name="job_scan"),
    path(_job, jobs.job_detail, name="job_detail"),
    path(f"{_job}events/", jobs.job_events, name="job_events"),
    path(f"{_job}parcel/", parcels.job_parcel, name="job_parcel"),
    path(f"{_job}edit/", jobs.job_edit, name="job_edit"),
    path(f"{_job}promise/", jobs.job_promise, name="job_promise"),
    path(f"{_job}count-in/", counts.job_count_in, name="job_count_in"),
    path(f"{_job}count/", counts.job_count, name="job_count"),
    path(f"{_job}away/", counts.job_away, name="job_away"),
    path(f"{_job}hold/", jobs.job_hold, name="job_hold"),
    path(f"{_job}release/", jobs.job_release, name="job_release"),
    path(f"{_job}tags.pdf", jobs.job_tags, name="job_tags"),
    path(f"{_job}receipt.pdf", jobs.job_receipt, name="job_receipt"),
    path("first-day/", opening.shop_open, name="shop_open"),
    path("first-day/owner/", opening.shop_owner, name="shop_owner"),
    path("first-day/<slug:step>/", opening.opening_step, name="opening_step"),
    path("me/password/", people.password_change, name="password_change"),
    path("office/people/", people.person_list, name="person_list"),
    path("office/people/second-step/", factors.factor_demand, name="factor_demand"),
    path("office/people/add/", people.person_add, name="person_add"),
    path(_person, people.person_edit, name="person_edit"),
    path(f"{_person}password/", people.person_password, name="person_password"),
    path(f"{_person}sessions/end/", sessions.person_signed_out, name="person_signed_out"),
    path(f"{_person}sessions/<slug:which>/end/", sessions.person_session_end, name="person_session_end"),
    path(f"{_person}deactivate/", people.person_deactivate, name="person_deactivate"),
    path(f"{_person}reactivate/", people.person_reactivate, name="person_reactivate"),
    path("office/branches/", branches.branch_list, name="branch_list"),
    path("office/branches/<int:branch_id>/", branches.branch_edit, name="branch_edit"),
    path("office/workshop/logo.png", workshop.workshop_logo, name="workshop_logo"),
    path("office/workshop/", workshop.workshop_edit, name="workshop_edit"),
]
