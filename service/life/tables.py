"""When an MEA counts as failing: the rule of a design, what it says of each MEA, who said what."""

from enum import StrEnum

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.life.arithmetic.grounds import GroundKind, MeaWord
from service.platform.tables import Base, key, reference, text, unique_where, utc, word


class RuleAnswer(StrEnum):
    """What a rule says of one MEA."""

    MET = "met"
    NOT_MET = "not met"
    CANNOT_BE_JUDGED = "cannot be judged"


class FailingRule(Base):
    """One version of the rule of a design; the newest one is in force."""

    __tablename__ = "failing_rule"
    __table_args__ = (
        UniqueConstraint("design_id", "version"),
        CheckConstraint("version >= 1", name="versions_count_from_one"),
    )
    id: Mapped[key]
    design_id: Mapped[int] = reference("design")
    version: Mapped[int]
    content: Mapped[text] = mapped_column(comment="JSON: reference current density and criteria")
    source: Mapped[text] = mapped_column(comment="where the figures come from, in words")
    reason: Mapped[text]
    by_id: Mapped[int] = reference("person")
    made_at: Mapped[utc]


class RuleVerdict(Base):
    """What the rule in force says of an MEA: derived, written anew whenever its facts change."""

    __tablename__ = "rule_verdict"
    __table_args__ = (
        UniqueConstraint("part_id"),
        Index("ix_rule_verdict_rule_id_answer", "rule_id", "answer"),
        Index("ix_rule_verdict_stack_id_answer", "stack_id", "answer"),
    )
    id: Mapped[key]
    part_id: Mapped[int] = reference("part")
    rule_id: Mapped[int] = reference("failing_rule")
    stack_id: Mapped[int] = reference("stack", comment="where its newest voltage was taken")
    answer: Mapped[RuleAnswer] = mapped_column(word(RuleAnswer))
    reasons: Mapped[text] = mapped_column(comment="JSON: each criterion, in words with figures")
    figures: Mapped[text] = mapped_column(default="{}", comment="JSON: rate, hours, voltage, …")
    judged_at: Mapped[utc]


class FailingMark(Base):
    """A person's word on an MEA, until somebody withdraws it; only “failed” counts as failing."""

    __tablename__ = "failing_mark"
    __table_args__ = (
        CheckConstraint(
            "(withdrawn_at IS NULL) = (withdrawn_by_id IS NULL)", name="withdrawn_by_somebody"
        ),
        unique_where(
            "uq_failing_mark_part_id_standing", "part_id", condition="withdrawn_at IS NULL"
        ),
        Index("ix_failing_mark_part_id", "part_id"),
    )
    id: Mapped[key]
    part_id: Mapped[int] = reference("part")
    says: Mapped[MeaWord] = mapped_column(word(MeaWord))
    rule_id: Mapped[int | None] = reference("failing_rule", comment="in force when confirmed")
    failed_at: Mapped[utc] = mapped_column(comment="since when, as the person says")
    reason: Mapped[text]
    evidence: Mapped[text] = mapped_column(default="{}", comment="JSON: what the rule said then")
    confirmed_by_id: Mapped[int] = reference("person")
    confirmed_at: Mapped[utc]
    withdrawn_by_id: Mapped[int | None] = reference("person")
    withdrawn_at: Mapped[utc | None]
    withdrawn_because: Mapped[text] = mapped_column(default="")


class FailingGround(Base):
    """One ground of a person's word on an MEA: a finding, a test, or its voltages or hours."""

    __tablename__ = "failing_ground"
    __table_args__ = (
        CheckConstraint(
            "(kind = 'finding') = (finding_id IS NOT NULL)", name="a_finding_names_itself"
        ),
        CheckConstraint(
            "(kind IN ('crossover', 'short', 'leak')) = (test_id IS NOT NULL)",
            name="what_is_read_names_its_test",
        ),
        Index("ix_failing_ground_mark_id", "mark_id"),
    )
    id: Mapped[key]
    mark_id: Mapped[int] = reference("failing_mark")
    kind: Mapped[GroundKind] = mapped_column(word(GroundKind))
    finding_id: Mapped[int | None] = reference("finding")
    test_id: Mapped[int | None] = reference("stack_test")


# What comparisons need to know of each build, packed: derived, written anew with the build.


class BuildMakeup(Base):
    """One build's MEAs with the lots, tools and figures around each."""

    __tablename__ = "build_makeup"
    __table_args__ = (
        Index("ix_build_makeup_design_id", "design_id"),
        Index("ix_build_makeup_stack_id", "stack_id"),
    )
    build_id: Mapped[int] = reference("build", primary_key=True, autoincrement=False)
    stack_id: Mapped[int] = reference("stack")
    design_id: Mapped[int] = reference("design")
    packed: Mapped[text] = mapped_column(comment="base64 of whole numbers, a row an MEA")
    written_at: Mapped[utc]
