"""The business: people, clients, instruments, jobs, stages, prices, estimates, bills, materials, events."""

from shop.models.bills import (
    Bill,
    BillKind,
    BillLine,
    BillLineKind,
    Payment,
    PaymentKind,
    PaymentMethod,
)
from shop.models.branches import Branch
from shop.models.clients import Client, ClientKind, search_key
from shop.models.counts import Count, CountKind
from shop.models.estimates import (
    Answer,
    AnswerKind,
    Estimate,
    EstimateState,
    Line,
    LineKind,
    Link,
    Option,
    token_hash,
)
from shop.models.events import Event
from shop.models.factors import RecoveryCode, SecondFactor
from shop.models.feeds import Feed
from shop.models.instruments import Instrument, InstrumentKind, Keytops
from shop.models.jobs import FoundTitle, HoldFor, Job
from shop.models.materials import Lot, Material, MaterialKind, Use
from shop.models.misses import Miss
from shop.models.people import Paper, Person, Role, Units, Workshop
from shop.models.prices import Operation, Price, Proves, TaxClass, Unit, proves_in_words
from shop.models.searches import Search
from shop.models.sessions import Session
from shop.models.stages import STAGE_TITLES, Guide, Spell, Stage, StageState, Tick

__all__ = [
    "STAGE_TITLES",
    "Answer",
    "AnswerKind",
    "Bill",
    "BillKind",
    "BillLine",
    "BillLineKind",
    "Branch",
    "Client",
    "ClientKind",
    "Count",
    "CountKind",
    "Estimate",
    "EstimateState",
    "Event",
    "Feed",
    "FoundTitle",
    "Guide",
    "HoldFor",
    "Instrument",
    "InstrumentKind",
    "Job",
    "Keytops",
    "Line",
    "LineKind",
    "Link",
    "Lot",
    "Material",
    "MaterialKind",
    "Miss",
    "Operation",
    "Option",
    "Paper",
    "Payment",
    "PaymentKind",
    "PaymentMethod",
    "Person",
    "Price",
    "Proves",
    "RecoveryCode",
    "Role",
    "Search",
    "SecondFactor",
    "Session",
    "Spell",
    "Stage",
    "StageState",
    "TaxClass",
    "Tick",
    "Unit",
    "Units",
    "Use",
    "Workshop",
    "proves_in_words",
    "search_key",
    "token_hash",
]
