"""Tables of screening; import from here, never from a submodule."""

from screening.models.corrections import (
    CORRECTABLE,
    DeathQuestion,
    FieldCorrection,
    RegisterComparison,
)
from screening.models.duplicates import PersonMerge, PossibleDuplicate
from screening.models.intake import (
    Delivery,
    IntakeSession,
    Return,
    ReturnMove,
    Scan,
    SessionMode,
    Tray,
    TrayKind,
)
from screening.models.kits import Batch, Kit, KitModel, KitMove, Lot
from screening.models.looks import REASONS, LookFollowUp, LookReview, ReasonedLook
from screening.models.notes import PersonNote
from screening.models.packing import KitDoubt, Manifest, Pack, PackCheck
from screening.models.pauses import InvitationPace, InvitationPause
from screening.models.people import (
    Area,
    Exclusion,
    ExclusionKind,
    Person,
    PersonIdentifier,
    PostcodeFifth,
    Practice,
    Sex,
    Stop,
    StopScope,
)
from screening.models.protocols import Protocol, ScreeningPolicy
from screening.models.register import RefusedLine, RegisterDigests, RegisterLoad, RegisterMemory, StagedPerson
from screening.models.rounds import Round, RoundMove

__all__ = [
    "CORRECTABLE", "REASONS", "Area", "Batch", "DeathQuestion", "Delivery", "Exclusion", "ExclusionKind", "FieldCorrection", "IntakeSession", "InvitationPace", "InvitationPause", "Kit", "KitDoubt", "KitModel", "KitMove", "LookFollowUp", "LookReview", "Lot", "Manifest", "Pack", "PackCheck",
    "Person", "PersonIdentifier", "PersonMerge", "PersonNote", "PossibleDuplicate", "PostcodeFifth", "Practice", "Protocol", "ReasonedLook", "RefusedLine", "RegisterComparison", "RegisterDigests", "RegisterLoad", "RegisterMemory", "Return",
    "ReturnMove", "Round", "RoundMove", "Scan", "ScreeningPolicy", "SessionMode", "Sex",
    "StagedPerson", "Stop", "StopScope", "Tray", "TrayKind",
]  # fmt: skip
