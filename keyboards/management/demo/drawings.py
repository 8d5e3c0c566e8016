"""Button drawings of the demonstration: one that holds, and one to be drawn again."""

import datetime

from keyboards.advising import assumptions_for
from keyboards.drafting import contents_of
from keyboards.forms.specs import SpecForm
from keyboards.models import Drawing
from keyboards.specifying import keys_to_cut, set_readings, spec_of
from keyboards.specpage import begin_with
from keyboards.workflow.drawings import drawing_make
from shop.models import Job, Person


def drawn(job: Job, *, by: Person, at: datetime.datetime) -> Drawing | None:
    """The spec of the set as it stands, drawn; nothing where its buttons were never measured."""
    readings, assumed = set_readings(job), assumptions_for(job)
    assert readings.compass is not None
    known = begin_with(readings, keys_to_cut(job, readings)[0], assumed)
    form = SpecForm({}, unit="mm", known=known, compass=readings.compass)
    if not form.is_valid():
        return None
    data = form.cleaned_data
    spec = spec_of(
        readings, data["keys"], mortise_length=data["mortise_length"], follows=data["follows"], assumed=assumed
    )
    return drawing_make(job=job, contents=contents_of(spec, data, assumed), by=by, at=at) if spec.groups else None
