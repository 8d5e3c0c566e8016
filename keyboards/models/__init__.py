"""The trade: compasses, checks, readings, findings, photos, advice, specs, comebacks."""

from keyboards.models.advice import Assumptions, Decision
from keyboards.models.angles import PhotoAngle
from keyboards.models.cauls import Caul, Rail
from keyboards.models.checks import Check, CheckKind, Gauge, GaugeKind
from keyboards.models.comebacks import Cause, Comeback
from keyboards.models.compasses import Compass
from keyboards.models.drawings import Drawing
from keyboards.models.findings import Finding, FindingGroup
from keyboards.models.photos import Photo
from keyboards.models.progress import KeyDone
from keyboards.models.readings import Entry, EntryKind, KeyReading
from keyboards.models.shares import Share
from keyboards.models.specs import BoughtPart

__all__ = [
    "Assumptions",
    "BoughtPart",
    "Caul",
    "Cause",
    "Check",
    "CheckKind",
    "Comeback",
    "Compass",
    "Decision",
    "Drawing",
    "Entry",
    "EntryKind",
    "Finding",
    "FindingGroup",
    "Gauge",
    "GaugeKind",
    "KeyDone",
    "KeyReading",
    "Photo",
    "PhotoAngle",
    "Rail",
    "Share",
]
