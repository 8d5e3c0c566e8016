"""The invented workshop of the demonstration: people, clients, pianos, the shelf, and the sets it has had.

Every name, maker and figure is made up. Sets are carried through the same workflow functions that people's clicks
call, with the dates they would have had.
"""

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, field

from keyboards.management.demo.readings import Make

WORKSHOP = {
    "name": "Larkholt Keyworks",
    "address": "7 Millrace Yard\nLarkholt",
    "email": "bench@larkholt.example",
    "phone": "01632 960 147",
    "currency": "EUR",
    "terms": (
        "We begin when the deposit is here. What stripping shows beyond the allowance we show you first, with a price."
        " The guarantee covers our cloth, our buttons and our glue joints; it does not cover damp or moth."
    ),
    "care": (
        "Keep the room between 40 and 60 % relative humidity. Keys that turn tight all at once are most often a sign"
        " of damp or of a key slip that presses, not of the cloth: measure the humidity first."
    ),
}
# user name, first name, last name, role
PEOPLE = (
    ("edda", "Edda", "Linwood", "desk"),
    ("tobin", "Tobin", "Hale", "technician"),
    ("maren", "Maren", "Oakhurst", "owner"),
)
SECOND_TECHNICIAN = ("wick", "Alder", "Wick", "technician")
SECOND_DESK = ("runa", "Runa", "Selby", "desk")  # at the other branch

# kind, title, thickness in um, note, lots
MATERIALS = (
    ("cloth", "Bushing cloth, green, 1.00 mm", 1000, "", ("G100-22", "G100-31")),
    ("cloth", "Bushing cloth, green, 1.07 mm", 1070, "", ("G107-18", "G107-25")),
    ("cloth", "Bushing cloth, red, 0.93 mm", 930, "", ("R093-07",)),
    ("glue", "Hide glue, 192 gram", None, "comes out again with warm water or steam", ("H-2410", "H-2602")),
    ("wood", "Sugar maple, quarter sawn", None, "", ("M-4",)),
    ("pin", "Balance pins 3.70 mm, nickelled", None, "", ("P370-2",)),
    ("other", "Maple veneer 0.6 mm", None, "shims glued with hide glue, steam lifts them", ("V06-1",)),
)

CLIENTS = {
    "hall": ("institution", "Thornby Village Hall", "B. Ashgrove", "hall@thornby.example", "01632 960 201"),
    "vale": ("technician", "Perrin Vale", "", "perrin@vale.example", "01632 960 318"),
    "school": ("institution", "Ottermouth School", "the music room", "music@ottermouth.example", "01632 960 455"),
    "museum": ("institution", "Eastmere House Museum", "C. Dunmore", "keeper@eastmere.example", "01632 960 512"),
    "lysa": ("owner", "Lysa Penhallow", "", "lysa@penhallow.example", "01632 960 607"),
    "corin": ("owner", "Corin Wexley", "", "corin@wexley.example", "01632 960 731"),
    "inn": ("owner", "Orla Fenwright", "", "orla@fenwright.example", "01632 960 917"),
    "choir": ("institution", "Saltmarsh Choir", "D. Orrin", "choir@saltmarsh.example", "01632 960 844"),
}


@dataclass(frozen=True)
class Piano:
    client: str
    kind: str
    maker: str
    year: int
    serial: str
    model: str = ""


PIANOS = {
    "hall": Piano("hall", "upright", "Brackwell", 1912, "31 874"),
    "school": Piano("school", "grand", "Odenholt", 1964, "118 402", "Concordia"),
    "vale": Piano("vale", "grand", "Quillan & Foss", 1928, "9 417"),
    "museum": Piano("museum", "square", "Tessaly", 1838, "212"),
    "lysa": Piano("lysa", "upright", "Brackwell", 1903, "22 516"),
    "corin": Piano("corin", "grand", "Odenholt", 1987, "164 090"),
    "choir": Piano("choir", "upright", "Harrowmere", 1951, "70 233"),
    "inn": Piano("inn", "upright", "Tarn & Ives", 1921, "18 350"),
    "vale2": Piano("vale", "upright", "Harrowmere", 1936, "51 006"),
    "lysa2": Piano("lysa", "grand", "Quillan & Foss", 1911, "4 802"),
}

HALL = Make(
    seed=1912, mortise=5.60, drift=0.04, noise=0.028, worn=0.78, play=0.92,
    torn=(3, 4, 6, 7, 9, 10, 11, 12, 14, 15, 16, 19, 20, 22, 23, 24, 33, 41, 52),
    cracked=(8, 17), loose=(21,), outliers=(47,), fan_from=61, fan_to=2.0,
)  # fmt: skip
SCHOOL = Make(seed=1964, mortise=5.48, noise=0.018, worn=0.9, play=0.85, torn=(40, 44), button=(38.0, 12.6, 7.5))
SCHOOL_NOW = Make(seed=1965, mortise=5.49, noise=0.02, worn=0.25, play=0.58, button=(38.0, 12.6, 7.5))
VALE = Make(
    seed=1928, mortise=5.62, drift=-0.05, noise=0.022, worn=0.55, skew=((26, 3.0), (60, 0.0), (88, -2.5)),
    torn=(2, 5, 30, 55), moth=tuple(range(34, 46)),
)  # fmt: skip
MUSEUM = Make(seed=1838, mortise=4.62, pin=3.05, noise=0.035, worn=0.95, button=(34.0, 11.4, 6.5), torn=(12, 40, 41))
LYSA = Make(
    seed=1903, mortise=5.66, drift=0.06, noise=0.03, worn=0.5, torn=tuple(range(20, 62, 2)), cracked=(28, 46),
    outliers=(70,),
)  # fmt: skip
CORIN = Make(seed=1987, mortise=5.50, noise=0.016, worn=0.35, play=0.6)
CHOIR = Make(seed=1951, mortise=5.58, drift=0.10, noise=0.025, worn=0.7, torn=(1, 2, 3, 60, 61, 88), loose=(35, 36))
INN = Make(seed=1921, mortise=5.55, noise=0.02, worn=0.6, torn=(22, 47))
VALE2 = Make(seed=1936, mortise=5.57, noise=0.02, worn=0.8, skew=((38, 1.5), (88, 0.0)))
LYSA2 = Make(seed=1911, mortise=5.64, noise=0.024, worn=0.6, torn=(5, 18, 19, 44), skew=((88, 1.0),))


@dataclass(frozen=True)
class Tale:
    """One set's way through the shop, as far as it has come.

    ago: days before today that it came in. until: the last thing that happened ("logged", "counted", "reading",
    "arrival", "decided", "sent", "declined", "yes", a stage kind (under way), "held", "final", "packed", "home",
    "revised": asked again after stripping). promise: days from today that the set is promised for, where the shop
    moved it. choose: "advised" or an option for every section. read: how many keys are read when until is "reading".
    sample: keys of a sample. failing: keys that fail the final check; released: why they may go all the same. near:
    keys read again because one reading leaves them undecided. drop: the drop test is agreed on. held_up: keys that do
    not fall in it. more_torn: wood that stripping shows. away: where the set is for a while.
    """

    piano: str
    make: Make
    ago: int
    until: str
    wishes: str = ""
    damage: str = ""
    boxes: int = 1
    carrier: str = ""
    first_midi: int = 21
    count: int = 88
    missing: Sequence[int] = ()
    broken: Sequence[int] = ()
    choose: str = "advised"
    why: str = ""
    option: str = ""
    read: int = 0
    sample: Sequence[int] = ()
    failing: Sequence[int] = ()
    near: Sequence[int] = ()
    drop: bool = False
    off: int = 0  # percent taken off as a favour
    held_up: Sequence[int] = ()
    released: str = ""
    more_torn: Sequence[int] = ()
    held: str = ""
    promise: int | None = None
    keys_done: int = 0
    away: str = ""
    humidity: tuple[str, str] = ("52", "48")
    extra: dict[str, str] = field(default_factory=dict)


SAMPLE = (2, 7, 10, 14, 19, 21, 26, 31, 33, 38, 42, 47, 49, 54, 58, 61, 66, 69, 74, 77, 82, 87)

TALES = (
    Tale("school", SCHOOL, 2120, "home", wishes="Quiet keys before the summer concert.", carrier="own van"),
    Tale(
        "museum", MUSEUM, 420, "home", first_midi=29, count=73, missing=(73,), humidity=("44", "47"),
        wishes="As little new wood as possible.", boxes=2, carrier="museum's driver",
    ),
    Tale("lysa", LYSA, 150, "declined", wishes="Only if it stays cheap.", damage="box wet at one corner"),
    Tale(
        "lysa2", LYSA2, 64, "home", wishes="Even touch, please.", humidity=("61", "46"), failing=(86,), near=(41, 60),
        released="the owner wants key 86 as it is until its hammer is mended, and was told",
    ),
    Tale(
        "choir", CHOIR, 41, "final", boxes=2, promise=-1, failing=(12, 57), drop=True, held_up=(34,),
        wishes="Back before the carol service.",
    ),
    Tale("vale2", VALE2, 33, "packed", promise=2, carrier="parcel carrier", wishes="Copy the angles."),
    Tale(
        "corin", CORIN, 29, "held", promise=15, held="waits for the balance pins the client wants to choose",
        wishes="Rattle in the middle octave.",
    ),
    Tale("lysa", LYSA, 26, "buttons", promise=9, more_torn=(15, 64, 65), keys_done=11, wishes="New buttons are fine."),
    Tale(
        "inn", INN, 19, "revised", off=5, more_torn=(4, 9, 15, 16, 28, 29, 30, 35, 41, 52, 53, 60, 66, 67, 71, 78),
        wishes="It is played every evening.",
    ),
    Tale(
        "vale", VALE, 12, "sent", carrier="own van", boxes=1,
        wishes="Angles as built; I shall measure them.", humidity=("55", "50"),
    ),
    Tale(
        "hall", HALL, 6, "arrival", wishes="Working again for the winter dances.",
        damage="one corner of the frame chipped", humidity=("58", "50"),
    ),
    Tale("school", SCHOOL_NOW, 3, "reading", read=61, wishes="Yearly look: has it worn?"),
    Tale("choir", CHOIR, 2, "sample", sample=SAMPLE, wishes="The spare set: how worn?", away="Orlo, keytops"),
    Tale("corin", CORIN, 0, "logged", wishes="Keytop of the top C loose.", missing=(88,), broken=(40,)),
)  # fmt: skip


def moment(today: datetime.datetime, ago: int, hour: int, minute: int = 0) -> datetime.datetime:
    """An hour of a working day, so many days before today."""
    day = today - datetime.timedelta(days=ago)
    return day.replace(hour=hour, minute=minute, second=0, microsecond=0)
