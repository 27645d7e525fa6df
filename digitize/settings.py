"""The plan file: what the person says about a sheet, checked, with every default filled in.

A plain picture stands for a plan file that repeats the defaults. Lengths are millimetres from
here on, whatever unit they were written in.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from calibration.errors import UsageError
from digitize.lens_file import LensFile, load_lens
from digitize.shapes import Hand, Keep, OutlineHints, Picture, Unit
from digitize.tables import LengthMm, Table, parsed, printable, validated

PLAN_SUFFIX = ".toml"

# How each table is opened in the file.
TABLE_FORMS = {"plan": "[plan]", "rule": "[[rule]]", "span": "[[span]]", "card": "[[card]]", "body": "[body]"}

LEAST_CENTERLINE_PX = 50.0  # two places nearer to each other do not tell how a line runs

OUTSIDE_PX = 1.0  # a place on the very rim may be counted from the pixels' corners or from their middles

PxPlace = tuple[float, float]
Polygon = Annotated[tuple[PxPlace, ...], Field(min_length=3)]


class RuleHint(Table):
    """What the person knows of one graduated rule; everything may be left out."""

    role: Literal["drawn", "laid"] = "drawn"
    unit: Unit | None = None
    near: PxPlace | None = None  # any pixel on it
    image: str | None = Field(default=None, min_length=1)  # of several pictures the one it is in
    grade: Literal["I", "II", "III"] | None = None  # class of a laid rule, Directive 2014/32/EU Annex X
    # of a laid rule: how far its whole length may be off, where that is known better than its class
    within_mm: Annotated[LengthMm, Field(ge=0.0, le=10.0)] | None = Field(default=None, validation_alias="within")
    # of a laid rule, where its graduations are: how far they are above the paper
    thickness_mm: Annotated[LengthMm, Field(ge=0.0, le=10.0)] | None = Field(default=None, validation_alias="thickness")


class SpanHint(Table):
    """Two marked points and the distance that the plan states between them."""

    from_px: PxPlace = Field(validation_alias="from")
    to_px: PxPlace = Field(validation_alias="to")
    length_mm: LengthMm = Field(validation_alias="length")
    image: str | None = Field(default=None, min_length=1)  # of several pictures the one it is in; the first if left out

    @model_validator(mode="after")
    def _two_places(self) -> SpanHint:
        if self.from_px == self.to_px:
            raise ValueError("a span between two different places")
        return self


class CardHint(Table):
    """A bank card that lies on the sheet, for a check of the scale."""

    near: PxPlace | None = None  # any pixel on it


class BodyHints(Table):
    """What the person says about the body and how it is to be written."""

    length_mm: LengthMm | None = Field(default=None, validation_alias="length")
    lower_bout_mm: LengthMm | None = Field(default=None, validation_alias="lower_bout")
    waist_mm: LengthMm | None = Field(default=None, validation_alias="waist")
    upper_bout_mm: LengthMm | None = Field(default=None, validation_alias="upper_bout")
    keep: Keep = "auto"
    hand: Hand = "right"
    near: PxPlace | None = None  # any pixel inside the body
    neck: PxPlace | None = None  # any pixel nearer to the neck end than to the tail
    centerline: tuple[PxPlace, PxPlace] | None = None  # two pixels on it, best at either end of the body
    ignore: tuple[Polygon, ...] = ()
    through: tuple[PxPlace, ...] = ()

    @property
    def states_size(self) -> bool:
        """Whether any of the plan's own sizes of the body is told."""
        return any((self.length_mm, self.lower_bout_mm, self.waist_mm, self.upper_bout_mm))

    @model_validator(mode="after")
    def _two_ends(self) -> BodyHints:
        if self.centerline and math.dist(*self.centerline) < LEAST_CENTERLINE_PX:
            raise ValueError("a centerline between two places further apart")
        return self


def _as_names(value: object) -> object:
    """Return a list of file names for one name or a list of them."""
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list) or not names or not all(isinstance(one, str) and one for one in names):
        raise ValueError("a file name, or a list of them")
    if len(set(names)) < len(names):
        raise ValueError("a list of different file names")
    return tuple(names)


class _Plan(Table):
    """The [plan] table."""

    image: Annotated[tuple[str, ...], BeforeValidator(_as_names)]  # more than one: photos of one sheet
    page: int = Field(default=1, ge=1)
    captured: Literal["scan", "photo"] | None = None
    unit: Unit = "mm"
    line: Literal["middle", "outer", "inner"] = "middle"
    lens: str | None = Field(default=None, min_length=1)  # the lens file of the camera that took the photo


class _PlanFile(Table):
    """The whole file."""

    plan: _Plan
    rule: tuple[RuleHint, ...] = ()
    span: tuple[SpanHint, ...] = ()
    card: tuple[CardHint, ...] = ()
    body: BodyHints = BodyHints()


class PlanSettings(BaseModel):
    """Everything a run is told, defaults filled in."""

    model_config = ConfigDict(frozen=True)

    image: Path  # as it can be opened, not as it was written
    more: tuple[Path, ...] = ()  # further photos of the same sheet
    page: int = 1
    captured: Literal["scan", "photo"] | None = None
    unit: Unit = "mm"
    line: Literal["middle", "outer", "inner"] = "middle"
    lens_file: str | None = None  # name only
    lens: LensFile | None = None
    rules: tuple[RuleHint, ...] = ()
    spans: tuple[SpanHint, ...] = ()
    cards: tuple[CardHint, ...] = ()
    body: BodyHints = BodyHints()

    @property
    def outline_hints(self) -> OutlineHints:
        """What the search for the outline is told."""
        return OutlineHints(self.body.near, self.body.ignore, self.body.through, self.line)

    def as_record(self) -> dict[str, Any]:
        """Return plain values for the record; the pictures by their names alone."""
        return {**self.model_dump(mode="json"), "image": self.image.name, "more": [path.name for path in self.more]}

    def each(self) -> tuple[PlanSettings, ...]:
        """Return the settings of every picture alone.

        Places are pixels of the first one and say nothing of others, but where a rule or a span names its picture. A
        rule without a place and without a picture is meant for every rule of every picture.
        """
        places = {"near": None, "neck": None, "centerline": None, "ignore": (), "through": ()}
        body = self.body.model_copy(update=places)
        others = tuple(
            self.model_copy(update={"more": (), "cards": (), "body": body, "image": path, **self._named(path)})
            for path in self.more
        )
        spans = tuple(span for span in self.spans if span.image in (None, self.image.name))
        rules = tuple(rule for rule in self.rules if rule.image in (None, self.image.name))
        return (self.model_copy(update={"more": (), "spans": spans, "rules": rules}), *others)

    def refuse_places_outside(self, picture: Picture) -> None:
        """Refuse places that are not in the picture: they were counted in another one, or x and y exchanged.

        Regions to ignore may reach beyond it.

        Raises:
            UsageError: ``place-outside``.
        """
        height, width = picture.grey.shape
        for key, (x, y) in self._places():
            if not (-OUTSIDE_PX <= x <= width - 1 + OUTSIDE_PX and -OUTSIDE_PX <= y <= height - 1 + OUTSIDE_PX):
                place = {"x": f"{x:.10g}", "y": f"{y:.10g}", "width": width, "height": height}
                raise UsageError("place-outside", key=key, **place)

    def _places(self) -> Iterator[tuple[str, PxPlace]]:
        """Yield the places that are told, each with its key in the plan file."""
        body = self.body
        told: dict[str, Sequence[PxPlace | None]] = {
            "body.near": [body.near], "body.neck": [body.neck], "body.centerline": body.centerline or (),
            "body.through": body.through, "rule.near": [one.near for one in self.rules],
            "span.from": [one.from_px for one in self.spans], "span.to": [one.to_px for one in self.spans],
            "card.near": [one.near for one in self.cards],
        }  # fmt: skip
        for key, places in told.items():
            yield from ((key, place) for place in places if place is not None)

    def _named(self, image: Path) -> dict[str, object]:
        """Return what is told of a picture that is not the first."""
        rules = (rule for rule in self.rules if rule.image == image.name or (rule.near, rule.image) == (None, None))
        return {"rules": tuple(rules), "spans": tuple(span for span in self.spans if span.image == image.name)}

    def one_picture(self) -> PlanSettings:
        """Return the settings where there is one picture.

        Raises:
            UsageError: ``one-picture``.
        """
        if self.more:
            raise UsageError("one-picture", count=1 + len(self.more))
        return self


def load_plan(path: Path) -> PlanSettings:
    """Return the settings of a plan file, or the defaults for a plain picture.

    Raises:
        UsageError: ``no-such-file``, ``bad-toml``, ``unknown-key``, ``bad-value``, ``bad-length``,
            ``length-without-unit``, ``odd-name``, ``bad-lens-file`` or ``lens-for-photos``.
    """
    if not path.is_file():
        raise UsageError("no-such-file", file=path)
    if path.suffix.lower() != PLAN_SUFFIX:
        refuse_odd_names([path])
        return PlanSettings(image=path)
    content = _content(path)
    images = [path.parent / name for name in content.plan.image]
    for image in images:
        if not image.is_file():
            raise UsageError("no-such-file", file=image)
    refuse_odd_names(images)
    options = {name: getattr(content.plan, name) for name in ("page", "captured", "unit", "line")}
    options |= _lens_options(content.plan, path)
    return PlanSettings(
        image=images[0], more=tuple(images[1:]), rules=content.rule, spans=content.span, cards=content.card,
        body=content.body, **options,
    )  # fmt: skip


def refuse_odd_names(pictures: Sequence[Path]) -> None:
    """Refuse pictures whose names, or whose folders' names, are no UTF-8: libvips opens none of them.

    Raises:
        UsageError: ``odd-name``.
    """
    for path in pictures:
        if (shown := printable(str(path))) != str(path):
            raise UsageError("odd-name", file=shown)


def _lens_options(plan: _Plan, path: Path) -> dict[str, Any]:
    """Return the lens that a plan file names; a picture with a lens is a photo."""
    if plan.lens is None:
        return {}
    if plan.captured == "scan":
        raise UsageError("lens-for-photos", file=path.name)
    lens_path = path.parent / plan.lens
    return {"lens": load_lens(lens_path), "lens_file": lens_path.name, "captured": "photo"}


def check_plan(written: dict[str, Any], file: str) -> None:
    """Check what a plan file would hold; ``file`` is its name, for complaints.

    Raises:
        UsageError: ``unknown-key``, ``bad-value``, ``bad-length`` or ``length-without-unit``.
    """
    _checked(written, file)


def _content(path: Path) -> _PlanFile:
    return _checked(parsed(path), path.name)


def _checked(written: dict[str, Any], file: str) -> _PlanFile:
    plan = written.get("plan")
    unit = plan.get("unit", "mm") if isinstance(plan, dict) else "mm"
    content = validated(_PlanFile, written, file, unit, TABLE_FORMS)
    names = [Path(name).name for name in content.plan.image]
    for key, table in (("rule", content.rule), ("span", content.span)):
        for one in table:
            if one.image is not None and one.image not in names:
                need = f"one of plan.image ({', '.join(names)})"
                raise UsageError("bad-value", file=file, key=f"{key}.image", got=repr(one.image), need=need)
    return content
