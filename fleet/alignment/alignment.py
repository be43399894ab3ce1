"""One alignment: everything that is to be done to one unit, what it gets for it, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from fleet.alignment.readings import DOUBT, WORDS
from fleet.results import Result

if TYPE_CHECKING:
    import pandas as pd

    from fleet.alignment.readings import Known
    from fleet.alignment.stack_height import Mounting
    from fleet.alignment.zenith import ZenithCost

DO: Final = "do"
LEAVE: Final = "leave"
NOTHING: Final = "nothing"
WITHHELD: Final = "withheld"
NEVER, SURELY = 0.025, 0.975
"""A target with a chance between the two may be met; beyond them it is not met, or met."""
WORTH: Final = 0.05
"""A correction within its doubt is made only if it lifts the chance of a target by as much."""


class Figure(NamedTuple):
    """A figure and its standard uncertainty, in the same unit; NaN where there is none."""

    value: float = math.nan
    sd: float = math.nan

    @property
    def doubt(self) -> float:
        """Two standard uncertainties."""
        return DOUBT * self.sd


class Correction(NamedTuple):
    """One of tilt, roll and turn.

    Attributes
    ----------
    decision : str
        `do`; `leave`, where it is smaller than its doubt or gains nothing; `nothing`, where nothing is asked;
        or `withheld`, where a reading is missing or a slip.
    asked : Figure
        What the readings ask for [degrees].
    set : Figure
        What is advised [degrees]: 0 where it is left; NaN where it is withheld.
    by : tuple of str
        Readings that it stands on.
    why : str
        Why it is left or withheld, in words.
    """

    decision: str
    asked: Figure
    set: Figure
    by: tuple[str, ...] = ()
    why: str = ""

    @property
    def degrees(self) -> float:
        """What is done to the body [degrees]: 0 where nothing is."""
        return self.set.value if self.decision == DO else 0.0


def done_or_left(asked: Figure, by: tuple[str, ...]) -> Correction:
    """A correction that is made where it is larger than its doubt, and left where it isn't."""
    if abs(asked.value) < asked.doubt:
        why = f"smaller than its doubt of {asked.doubt:.2f}°"
        return Correction(LEAVE, asked, Figure(0.0, 0.0), by, why)
    if asked.value == 0.0:
        return Correction(NOTHING, asked, Figure(0.0, 0.0), by)
    return Correction(DO, asked, asked, by)


class Chances(NamedTuple):
    """Chances that the true angles meet their targets; NaN where an angle is not known."""

    rake: float = math.nan
    tracking: float = math.nan
    both: float = math.nan


@dataclass(frozen=True, repr=False)
class Alignment(Result):
    """What is to be done to one unit.

    Attributes
    ----------
    known : what it stands on
    policy : label of the target policy
    tilt, roll, turn : the three corrections: + = tail up; clockwise facing the nose; clockwise from above
    rake, tracking : where the angles stand with them [degrees]
    lean : what is left of the electrical azimuth [degrees]
    seen, seen_bare : where the cantilever will be seen to point, + = clockwise from above [degrees]: with
        tilt and roll, and with the body turned but level and upright
    before, after, some : chances of the targets left level, as advised, and by the best of all tilts
    outcome : `both`, `rake_only`, `tracking_only`, `neither`, `unread`: by the figures as they stand
    limited_by : `nothing`, `built_in`, `room`, `lower_limit`, `preference`
    room_used_deg : upper end that the tilt was held under [degrees]; NaN = none
    remedy : `none`, `arm_only`, `stock_wedge`, `made_wedge`; empty where the tilt is withheld
    mountings : the chosen one first
    arm_rise_mm : rise of the arm's bearing that gives what the wedge doesn't [mm]; NaN without an arm length
    cost_before, cost_after : of the turn; None where no turn is asked
    needs : which reading would allow what is withheld, one sentence each
    steps : heading and sentence of each step, in the order of the hands
    cautions : what to mind
    sentence : tilt, roll and turn in short
    """

    known: Known
    policy: str
    tilt: Correction
    roll: Correction
    turn: Correction
    rake: Figure
    tracking: Figure
    lean: Figure
    seen: Figure
    seen_bare: Figure
    before: Chances
    after: Chances
    some: Chances
    outcome: str
    limited_by: str
    room_used_deg: float
    remedy: str
    mountings: tuple[Mounting, ...]
    arm_rise_mm: float
    cost_before: ZenithCost | None
    cost_after: ZenithCost | None
    needs: tuple[str, ...] = ()
    steps: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = ()
    sentence: str = ""

    def to_frame(self) -> pd.DataFrame:
        """Return `record` as one row."""
        import pandas as pd

        return pd.DataFrame([self.record()])

    def in_short(self) -> tuple[str, pd.DataFrame]:
        """The sentence, and the steps in the order of the hands."""
        import pandas as pd

        return self.sentence, pd.DataFrame(self.steps, columns=["step", "what to do"])

    @property
    def mounting(self) -> Mounting:
        """The mounting that is advised."""
        return self.mountings[0]

    @property
    def wedge_deg(self) -> float:
        """Tilt of the wedge to use [degrees]; 0 without one."""
        return self.mounting.tilt_deg

    @property
    def lines(self) -> tuple[str, ...]:
        """The steps as lines."""
        return tuple(f"{heading}: {text}" for heading, text in self.steps)

    def record(self) -> dict[str, Any]:
        """Everything as one flat row, for JSON, CSV and Parquet; NaN where there is nothing."""
        row: dict[str, Any] = {"policy": self.policy, "stylus_profile": self.known.stylus}
        for name, correction in (("tilt", self.tilt), ("roll", self.roll), ("turn", self.turn)):
            row[f"{name}_decision"] = correction.decision
            row[f"{name}_deg"], row[f"{name}_sd_deg"] = correction.set
            row[f"{name}_asked_deg"], row[f"{name}_asked_sd_deg"] = correction.asked
            row[f"{name}_stands_on"] = ";".join(f"{n}:{self.known[n].how}" for n in correction.by)
        for name, figure in (
            ("net_rake", self.rake),
            ("net_tracking", self.tracking),
            ("net_azimuth_electrical", self.lean),
            ("cantilever_seen", self.seen),
            ("cantilever_seen_bare", self.seen_bare),
        ):
            row[f"{name}_deg"], row[f"{name}_sd_deg"] = figure
        for name, chances in (("level", self.before), ("aligned", self.after), ("best", self.some)):
            for target, chance in zip(("rake", "tracking", "both"), chances, strict=True):
                row[f"p_{target}_{name}"] = chance
        row |= {"outcome": self.outcome, "limited_by": self.limited_by, "remedy": self.remedy}
        row |= {"tilt_room_used_deg": self.room_used_deg, "bearing_rise_mm": self.arm_rise_mm}
        row |= {f"mounting_{k}": v for k, v in vars(self.mounting).items()}
        for k, other in enumerate(self.mountings[1:], start=1):
            row[f"other_{k}_kind"], row[f"other_{k}_tilt_deg"] = other.kind, other.tilt_deg
            row[f"other_{k}_height_mm"] = other.height_mm
        for name in WORDS:
            given = self.known[name]
            row[f"{name}_used"] = given.usable_value
            row[f"{name}_used_sd"], row[f"{name}_how"] = given.sd, given.how
        return row
