"""The shape of the picture: camera, glass, geometry and convergence from the places of marks and tags.

All photographs are solved at once (bundle.py), with what was likely before
stated beside each number below; docs/geometry.md tells the whole of it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.errors import Fault, InputError, RefusedError
from tubewright.picture.bundle import Bundle
from tubewright.picture.camera import Camera, Glass, Pose, picture_of_photo
from tubewright.picture.convergence import FEWEST_MARKS, Lattice, convergence_of, fringes_separated
from tubewright.picture.field import FIRST_SHRINKABLE_ERROR_ORDER, FIRST_SHRINKABLE_ORDER
from tubewright.picture.figures import Drawn, Told, geometry_of, scale_of
from tubewright.picture.fringes import likely_px
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.results import GUNS, Convergence, Geometry, Scale
from tubewright.picture.solve import Group, Posterior, Unknowns, solve
from tubewright.picture.start import Start, View, upright_of, uv_of_raster

Floats = NDArray[np.float64]

_SETTLED_ORDER: Final = 3
_MOVED: Final = (
    "The strips of tags lie elsewhere in one photograph than in another, so each photograph's were taken by themselves;"
    " leave them as they are between photographs to learn more."
)
_NOT_AS_PRINTED: Final = (
    "The tags don't lie to each other as they were printed: check that the strips are flat, whole, and printed to size."
    " The spreads were widened accordingly."
)
_TAG_MISFIT_RATIO: Final = 5.0
_TAG_NOISE_PX: Final = 0.5
"""Tags that lie off by five times their errors and by half a pixel, some 0.07 mm, aren't as printed or not where they
were: paper lies truer than that; estimate."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkPlaces:
    """Where the marks of one photograph are.

    Attributes:
        gun: 0 red, 1 green, 2 blue, (n,).
        photo_px: As found, (n, 2).
        picture_mm: The same on the picture, the lens's colour taken off, (n, 2).
        expected_px: Where the solution has them, (n, 2).
    """

    gun: NDArray[np.int64]
    photo_px: Floats
    picture_mm: Floats
    expected_px: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """The shape of a picture, and the maps between raster, picture and photographs.

    The picture's places are mm as the viewer sees it, from its middle; where ``scale`` is ``None``, they are in
    an arbitrary unit instead.

    Attributes:
        scale: How large the picture is, or ``None`` where nothing tells.
        convergence: Red and blue against green.
        geometry: The figures of geometry.
        misfit_ratio: How far the marks lie off the solution, over their stated errors: about 1 when all is well.
        misfit_px: The same as root mean square in px.
        settled: The solution came to rest; if not, nothing here should be trusted.
        notes: What was taken for granted, in sentences.
    """

    scale: Scale | None
    convergence: Convergence
    geometry: Geometry
    misfit_ratio: float
    misfit_px: float
    settled: bool
    notes: tuple[str, ...]
    _bundle: Bundle
    _after: Posterior
    _raster: Raster
    _upright: Floats

    def camera(self, view: int = 0) -> Camera:
        """The camera of a photograph."""
        return self._bundle.camera(self._after.value, self._bundle.shots[view].camera)

    def pose(self, view: int = 0) -> Pose:
        """Where it stood."""
        return self._bundle.pose(self._after.value, view)

    @property
    def glass(self) -> Glass:
        """The glass as solved; its spread stands in ``geometry``."""
        return self._bundle.glass(self._after.value)

    def picture_of_photo(self, photo_px: Floats, view: int = 0) -> Floats:
        """Places on the picture of places in a photograph (green channel), (n, 2); NaN beside the glass."""
        return picture_of_photo(self.camera(view), self.pose(view), self.glass, photo_px)

    def photo_of_picture(self, picture_mm: Floats, view: int = 0) -> Floats:
        """Places in a photograph (green channel) of places on the picture, (n, 2)."""
        return self._bundle.place_slopes(self._after.value, view, picture_mm)[0]

    def picture_of_raster(self, raster_px: Floats) -> Floats:
        """Settled places (no curl) on the picture of places on the raster, (n, 2), of the reference gun."""
        uv = uv_of_raster(self._raster, self._upright, raster_px)
        picture = self._bundle.picture
        assert picture is not None  # noqa: S101 - a shape has one
        return self._bundle.surface(uv, picture.reference, None).at(self._after.value)

    def marks(self, view: int = 0) -> MarkPlaces:
        """Where the marks of a photograph are."""
        value = self._after.value
        gun, photo, expected, bare = [], [], [], []
        for part, lit in enumerate(self._bundle.lit):
            if lit.shot != view:
                continue
            gun.append(np.full(len(lit.which), lit.gun))
            photo.append(lit.photo_px)
            expected.append(lit.photo_px - self._bundle.mark_rows(value, part).off.reshape(-1, 2))
            lens = self._bundle.lens(value, view, lit.gun, lit.photo_px)
            bare.append(lit.photo_px - (lens if lit.gun != 1 else 0))
        return MarkPlaces(
            gun=np.concatenate(gun),
            photo_px=np.concatenate(photo),
            picture_mm=self.picture_of_photo(np.concatenate(bare), view),
            expected_px=np.concatenate(expected),
        )


def measure_shape(
    views: Sequence[View],
    *,
    picture_mm: tuple[float, float] | None = None,
    diagonal_mm: float | None = None,
    glass_radius_mm: float | None = None,
    mount: Literal["horizontal", "vertical"] = "horizontal",
    progress: Callable[[float], None] | None = None,
) -> Shape:
    """The shape of one picture from one or more photographs of it.

    Args:
        views: What the photographs showed: one pattern, the display and the strips of tags left as they are.
        picture_mm: Width and height of the lit picture as measured over the glass, as the viewer sees it.
        diagonal_mm: Diagonal of the tube.
        glass_radius_mm: Radius of the glass.
        mount: How the tube is mounted; the figures are as the viewer sees the picture.
        progress: Called with the share done, 0 to 1.

    Raises:
        InputError: no photograph, another raster in one of them, or a length that isn't positive.
        RefusedError: too few marks to tell a shape.
    """
    _check(views, picture_mm, diagonal_mm, glass_radius_mm)
    upright, notes = upright_of(views, mount)
    start = Start(views, upright, picture_mm, diagonal_mm)
    bundle, lattice, after = _solved(start, diagonal_mm, glass_radius_mm, progress)
    if len(views) > 1 and _tags_disagree(after):
        start = Start(views, upright, picture_mm, diagonal_mm, strips_moved=True)
        bundle, lattice, after = _solved(start, diagonal_mm, glass_radius_mm, progress)
        notes += (_MOVED,)
    if _tags_disagree(after):
        notes += (_NOT_AS_PRINTED,)
    lens_before = likely_px(views[0].size_px)
    by_tags = bool(bundle.fringes)
    told = Told(
        reference=start.reference,
        by_tags=bool(bundle.boards),
        photographs=len(views),
        radius_given=glass_radius_mm is not None,
        raster=views[0].sighting.raster,
        sized=start.sized,
        upright_ratio=upright,
    )
    marks_off = np.concatenate([rows.off for rows in bundle.rows_at(after.value) if rows.kind == "marks"])
    drawn = Drawn(bundle, after, start.reference)
    scale = scale_of(bundle, drawn, told)
    return Shape(
        scale=scale,
        convergence=convergence_of(
            bundle,
            after,
            lattice,
            scale_sd_ratio=None if scale is None else told.scale_sd_ratio,
            by_tags=by_tags,
            separated=fringes_separated(bundle, after, lens_before),
        ),
        geometry=geometry_of(bundle, drawn, told, views),
        misfit_ratio=after.misfit["marks"],
        misfit_px=float(np.sqrt(2 * np.mean(marks_off**2))),
        settled=after.settled,
        notes=notes,
        _bundle=bundle,
        _after=after,
        _raster=views[0].sighting.raster,
        _upright=upright,
    )


def _solved(
    start: Start,
    diagonal_mm: float | None,
    glass_radius_mm: float | None,
    progress: Callable[[float], None] | None,
) -> tuple[Bundle, Lattice, Posterior]:
    unknowns = Unknowns.none()
    bundle, lattice = start.bundle(unknowns, diagonal_mm, glass_radius_mm)
    after = solve(
        unknowns,
        bundle.rows_at,
        fold=bundle.fold,
        groups=_groups(bundle),
        stages=[_rough(bundle)],
        progress=progress,
    )
    return bundle, lattice, after


def _tags_disagree(after: Posterior) -> bool:
    """Whether the corners of tags lie off by more than their errors, print and paper can explain."""
    return after.misfit.get("tags", 0.0) > _TAG_MISFIT_RATIO and after.noise["tags"] > _TAG_NOISE_PX


def _check(
    views: Sequence[View],
    picture_mm: tuple[float, float] | None,
    diagonal_mm: float | None,
    glass_radius_mm: float | None,
) -> None:
    faults = []
    if not views:
        faults.append(Fault(what="there is no photograph", where="photographs", mend="Give at least one."))
    lengths = {"diagonal": diagonal_mm, "radius of the glass": glass_radius_mm}
    if picture_mm is not None:
        lengths |= {"width of the picture": picture_mm[0], "height of the picture": picture_mm[1]}
    faults += [
        Fault(what=f"{length:g} mm is no length", where=name, mend="Give millimetres, more than 0.")
        for name, length in lengths.items()
        if length is not None and not (np.isfinite(length) and length > 0)
    ]
    for index, view in enumerate(views[1:], start=2):
        first, other = views[0].sighting, view.sighting
        size = (other.raster.width_px, other.raster.height_px)
        if size != (first.raster.width_px, first.raster.height_px) or other.mirrored != first.mirrored:
            where = f"photograph {index}"
            faults.append(
                Fault(what="it shows another picture than the first", where=where, mend="Measure it by itself.")
            )
    if faults:
        raise InputError(faults)
    for index, view in enumerate(views, start=1):
        if len(view.sighting.marks.x_px) < FEWEST_MARKS:
            raise RefusedError(
                Fault(
                    what=f"only {len(view.sighting.marks.x_px)} marks were found",
                    where=f"photograph {index}",
                    mend="Photograph the whole picture, sharp and steady.",
                )
            )


def _groups(bundle: Bundle) -> list[Group]:
    """Unknowns whose likely size the picture itself tells: high orders, and rows."""
    picture = bundle.picture
    assert picture is not None  # noqa: S101 - made with one
    groups = [Group(columns=bundle.columns("rows")), Group(columns=bundle.columns("curl"))]
    names = [("shape", picture.shape, FIRST_SHRINKABLE_ORDER)]
    names += [(f"error {gun}", picture.error, FIRST_SHRINKABLE_ERROR_ORDER) for gun in GUNS]
    for name, columns, first in names:
        if name in bundle.slots:
            at = bundle.columns(name)
            orders = range(first, int(columns.order.max()) + 1)
            groups += [Group(columns=at[columns.order == order]) for order in orders]
    return groups


def _rough(bundle: Bundle) -> NDArray[np.int64]:
    """What is solved first: poses, strips, size, and the simplest of the shape."""
    picture = bundle.picture
    assert picture is not None  # noqa: S101 - made with one
    names = [f"pose {index}" for index in range(len(bundle.shots))]
    names += [name for name in bundle.slots if name.startswith("strip")]
    low = bundle.columns("shape")[picture.shape.order <= _SETTLED_ORDER]
    return np.concatenate([bundle.columns(*names, "glass", "size"), low])
