"""Photographs as ground: a folder of them becomes a bank of real ground at the mission's scale.

Pieces are taken at any place, turned, mirrored, slightly enlarged and relit. Where a photograph is smaller than the picture
asked for it continues as its mirror image, and a second piece is blended in so that the symmetry does not show.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.nn.functional as F
from numpy.typing import NDArray

from mission.ground_folder import GroundScales, ground_scale, known_scales, list_flights
from mission.photographs import photograph_size_px
from synth.at_once import at_once
from synth.ground_fields import Nodes, Noise, noise_fields
from synth.photo_kinds import count_kinds, thin_because
from synth.photo_look import LIGHT_STEP_PX, PhotographLook
from synth.photo_stack import PictureStack
from synth.photo_store import BankedPhotograph, prepared
from synth.tone import linear_from_pixels

# A photograph coarser than the mission by more than this cannot show what the mission's camera would.
COARSEST = 1.5
# Room for the bank [bytes]; beyond it each photograph gives only a part of itself.
MOST_BYTES = 600_000_000
_MATCHED = {"matched": 1.0}


@dataclass(frozen=True)
class Piece:
    """Where a piece comes from: picture pixel p about its middle -> ``matrix`` @ p + ``middle_px`` in the photograph, (x, y)."""

    photograph: int
    middle_px: tuple[float, float]
    matrix: tuple[float, float, float, float]


@dataclass(frozen=True)
class PhotoGroundSpec:
    """One ground made of photographs. ``gain`` relights it; ``pieces`` has one or two entries, mixed by a field of ``seed``;
    ``white_error`` and ``softness`` multiply the estimated white and blur, so that no misfit of them becomes a cue;
    ``blending``: see ``synth.photo_blend``."""

    pieces: tuple[Piece, ...]
    gain: tuple[float, float, float]
    seed: int
    size_px: tuple[int, int]
    white_error: float = 1.0
    softness: float = 1.0
    blending: str = "matched"


@dataclass(frozen=True)
class PhotoLayer:
    """``linear`` [B, 3, h, w] the photographs in linear light; ``shade`` [B, 1, h, w] share of full light that an object laid
    there would get (0.25..1: it is darker in the shade of a tree); ``looks`` what drawn things must match, gains included."""

    linear: torch.Tensor
    shade: torch.Tensor
    looks: tuple[PhotographLook, ...]


class GroundBank:
    """Real ground at ``gsd_m`` metres a pixel, kept as uint8 on the CPU."""

    def __init__(self, photographs: Sequence[BankedPhotograph], gsd_m: float, enlarge: tuple[float, float]) -> None:
        self.photographs = tuple(photographs)
        self.gsd_m = gsd_m
        self.enlarge = enlarge
        self._members, self._odds = _odds_of(self.photographs)
        self._stacks: dict[torch.device, PictureStack] = {}
        self._light_stacks: dict[torch.device, PictureStack] = {}

    def __getstate__(self) -> dict[str, Any]:
        # What lies on a device stays there; another process builds its own when it needs it.
        return dict(self.__dict__) | {"_stacks": {}, "_light_stacks": {}}

    @classmethod
    def from_folder(
        cls,
        folder: str | Path,
        gsd_m: GroundScales | None = None,
        *,
        mission_gsd_m: float,
        enlarge: tuple[float, float] = (0.8, 1.25),
        flights: Collection[str] | None = None,
        on_progress: Callable[[int, int], None] | None = None,
    ) -> GroundBank:
        """Open every photograph of ``folder``: of one flight, or of a folder with one folder for each flight.

        ``gsd_m`` is their scale where it is known, for all or for each flight by name; else ``ground.yaml`` beside them or
        the camera's own record says it. ``flights`` opens only those. The first time takes about a second a photograph.
        InputError where a scale is unknown, where a photograph is too coarse or too small, or cannot be read.
        """
        found = list_flights(folder, flights)
        given = known_scales(found, gsd_m)
        paths = [(flight.name, path) for flight in found for path in flight.photographs]
        scales = [ground_scale(path, given[flight], mission_gsd_m, COARSEST) for flight, path in paths]
        sizes = [photograph_size_px(path) for _, path in paths]
        shares = [(scale.gsd_m / mission_gsd_m) ** 2 for scale in scales]
        need = sum(3 * w * h * share for (w, h), share in zip(sizes, shares, strict=True))
        keep = min(1.0, math.sqrt(MOST_BYTES / need))
        banked = []
        for i, ((flight, path), scale) in enumerate(zip(paths, scales, strict=True)):
            banked.append(prepared(path, scale, mission_gsd_m, flight=flight, keep=keep, number=i))
            if on_progress:
                on_progress(i + 1, len(paths))
        return cls(banked, mission_gsd_m, enlarge)

    @property
    def flights(self) -> tuple[str, ...]:
        """Names of its flights."""
        return tuple(self._members)

    def only(self, flights: Collection[str]) -> GroundBank:
        """The bank of some of its flights. ValueError where one is not there, or none is asked for."""
        absent = sorted(set(flights) - set(self.flights))
        if absent or not flights:
            raise ValueError(f"have flights of {', '.join(self.flights)}")
        return GroundBank([p for p in self.photographs if p.flight in flights], self.gsd_m, self.enlarge)

    @property
    def hectares(self) -> float:
        """Ground that the bank holds; overlap between photographs is counted more than once."""
        return sum(p.area_px for p in self.photographs) * self.gsd_m**2 / 1e4

    @property
    def kinds(self) -> int:
        """Kinds of ground that it shows (``synth.photo_kinds``)."""
        cells = [p.cells for p in self.photographs if p.cells is not None]
        return count_kinds(np.concatenate(cells)) if cells else 0

    def describe(self) -> str:
        """What it holds, in a sentence."""
        count, kinds = len(self.photographs), self.kinds
        flights = f" of {len(self.flights)} flights" if len(self.flights) > 1 else ""
        plural = "s" if kinds != 1 else ""
        return (
            f"Ground: {count} photograph{'s' if count != 1 else ''}{flights}, {self.hectares:.2g} hectares at"
            f" {self.gsd_m * 100:.2g} cm/px (overlap between them counted more than once), about {kinds}"
            f" kind{plural} of ground."
        )

    def warning(self) -> str | None:
        """A sentence where the ground is thin, which says why and what comes of it; None where it is not."""
        reasons = thin_because(self.hectares, self.kinds, len(self.flights))
        if not reasons:
            return None
        return (
            f"This ground is thin because {', '.join(reasons[:-1]) + ' and ' if len(reasons) > 1 else ''}{reasons[-1]}: what is"
            " learnt on it may take for a panel what it has never seen as ground; add photographs of other days and sites."
        )

    def sample(
        self,
        rng: np.random.Generator,
        height_px: int,
        width_px: int,
        gsd_m: float | None = None,
        blendings: Mapping[str, float] = _MATCHED,
    ) -> PhotoGroundSpec:
        """Draw one ground for a picture of that size. ``gsd_m`` other than the bank's scales the pieces.

        A flight is drawn by the square root of its area, so that one long flight does not swamp the others, then a photograph
        of it by area. ``blendings`` are weights of how drawn things are laid in (``mission.recipe_light.BLENDINGS``).
        """
        zoom = self.gsd_m / (gsd_m or self.gsd_m)
        flight = self.flights[_drawn(rng, np.array(list(self._odds.values())))]
        first, fits = self._piece(rng, flight, height_px, width_px, zoom)
        pieces = [first]
        if not fits:
            pieces.append(self._piece(rng, flight, height_px, width_px, zoom)[0])
        brightness = np.exp(rng.normal(0, 0.2))
        tint = np.exp(rng.normal(0, 0.04, 3))
        red, green, blue = (float(brightness * t) for t in tint)
        return PhotoGroundSpec(
            tuple(pieces),
            (red, green, blue),
            int(rng.integers(1000003)),
            (height_px, width_px),
            white_error=float(np.exp(rng.normal(0, 0.2))),
            softness=float(np.exp(rng.normal(0.1, 0.25))),
            blending=sorted(blendings)[_drawn(rng, np.array([blendings[name] for name in sorted(blendings)]))],
        )

    def _piece(
        self, rng: np.random.Generator, flight: str, height_px: int, width_px: int, zoom: float
    ) -> tuple[Piece, bool]:
        members = self._members[flight]
        which = members[_drawn(rng, np.array([self.photographs[i].area_px for i in members], dtype=float))]
        height, width = self.photographs[which].pixels.shape[:2]
        if rng.random() < 0.5:  # quarter turns keep every pixel as it was
            angle, scale = float(rng.integers(4)) * math.pi / 2, zoom
        else:
            angle = float(rng.uniform(0, 2 * math.pi))
            scale = zoom * math.exp(rng.uniform(math.log(self.enlarge[0]), math.log(self.enlarge[1])))
        mirror = -1.0 if rng.random() < 0.5 else 1.0
        c, s = math.cos(angle) / scale, math.sin(angle) / scale
        matrix = (c * mirror, -s, s * mirror, c)
        reach_x = (abs(matrix[0]) * width_px + abs(matrix[1]) * height_px) / 2 + 1
        reach_y = (abs(matrix[2]) * width_px + abs(matrix[3]) * height_px) / 2 + 1
        fits = 2 * reach_x <= width and 2 * reach_y <= height
        x = float(rng.uniform(reach_x, width - reach_x)) if 2 * reach_x < width else float(rng.uniform(0, width))
        y = float(rng.uniform(reach_y, height - reach_y)) if 2 * reach_y < height else float(rng.uniform(0, height))
        if scale == 1.0 and angle % (math.pi / 2) == 0:  # pixel on pixel
            x = round(x) + (0.5 if (width_px if abs(c) > 0.5 else height_px) % 2 else 0.0)
            y = round(y) + (0.5 if (height_px if abs(c) > 0.5 else width_px) % 2 else 0.0)
        return Piece(which, (x, y), matrix), fits

    def backgrounds(self, spec: PhotoGroundSpec) -> str:
        """The cluster that frames on this ground share: its flight, or its photograph where the bank is of one flight."""
        photograph = self.photographs[spec.pieces[0].photograph]
        return photograph.flight if len(self.flights) > 1 else photograph.name

    def paint(
        self,
        specs: Sequence[PhotoGroundSpec],
        device: torch.device | str = "cpu",
        window: tuple[int, int, int, int] | None = None,
    ) -> PhotoLayer:
        """Grounds of one size, or only the ``window`` (y0, x0, h, w) of each."""
        where = torch.device(device)
        size_px = specs[0].size_px
        place = window or (0, 0, *size_px)
        firsts = [spec.pieces[0] for spec in specs]
        linear = self._cut(firsts, size_px, place, where)
        mixed = [b for b, spec in enumerate(specs) if len(spec.pieces) > 1]
        if mixed:
            linear[mixed] = self._mixed(linear[mixed], [specs[b] for b in mixed], place)
        linear *= torch.tensor([spec.gain for spec in specs], device=where).view(-1, 3, 1, 1)
        nodes = Nodes(place, where)
        shade = nodes.enlarge(self._light(firsts, size_px, nodes))
        looks = []
        for spec, piece in zip(specs, firsts, strict=True):
            look = self.photographs[piece.photograph].look
            red, green, blue = (w * g * spec.white_error for w, g in zip(look.white, spec.gain, strict=True))
            blur_px = look.blur_sigma_px * spec.softness
            looks.append(replace(look, white=(red, green, blue), blur_sigma_px=blur_px, blending=spec.blending))
        return PhotoLayer(linear, shade, tuple(looks))

    def _mixed(
        self, linear: torch.Tensor, specs: Sequence[PhotoGroundSpec], window: tuple[int, int, int, int]
    ) -> torch.Tensor:
        """First pieces [B, 3, h, w] with the second ones, brought to their exposure, laid over parts of them."""
        device = linear.device
        other = self._cut([spec.pieces[1] for spec in specs], specs[0].size_px, window, device)
        match = []
        for spec in specs:
            one, two = (self.photographs[piece.photograph].look.white for piece in spec.pieces)
            match.append([min(max(a / b, 0.3), 3.0) for a, b in zip(one, two, strict=True)])
        other *= torch.tensor(match, device=device).view(-1, 3, 1, 1)
        nodes = Nodes(window, device)
        share = noise_fields([Noise(900.0, spec.seed) for spec in specs], nodes)[:, None]
        return linear.lerp_(other, nodes.enlarge(share).mul_(6).add_(0.5).clamp_(0, 1))

    def _cut(
        self,
        pieces: Sequence[Piece],
        size_px: tuple[int, int],
        window: tuple[int, int, int, int],
        device: torch.device,
    ) -> torch.Tensor:
        """Linear [B, 3, h, w] of pieces in a window: photograph by photograph on the CPU, all at once on a GPU."""
        if at_once(device):
            return self._cut_together(pieces, size_px, window, device)
        cut = torch.empty((len(pieces), 3, *window[2:]))
        for b, piece in enumerate(pieces):
            cut[b] = self._cut_one(piece, size_px, window)
        return cut

    def _cut_one(self, piece: Piece, size_px: tuple[int, int], window: tuple[int, int, int, int]) -> torch.Tensor:
        pixels = self.photographs[piece.photograph].pixels
        y0, x0, h, w = window
        a, b, c, d = piece.matrix
        x = np.arange(x0, x0 + w) + 0.5 - size_px[1] / 2
        y = np.arange(y0, y0 + h) + 0.5 - size_px[0] / 2
        if all(abs(v - round(v)) < 1e-9 for v in piece.matrix):
            return linear_from_pixels(torch.from_numpy(_exact(pixels, piece, x, y)))
        # Photograph coordinates of the window's corners bound what must be read.
        cx, cy = np.array([x[0], x[-1], x[0], x[-1]]), np.array([y[0], y[0], y[-1], y[-1]])
        px, py = a * cx + b * cy + piece.middle_px[0], c * cx + d * cy + piece.middle_px[1]
        left, top = math.floor(px.min()) - 2, math.floor(py.min()) - 2
        right, bottom = math.ceil(px.max()) + 2, math.ceil(py.max()) + 2
        rows = _mirrored(np.arange(top, bottom), pixels.shape[0])
        columns = _mirrored(np.arange(left, right), pixels.shape[1])
        part = torch.from_numpy(pixels[rows[:, None], columns]).permute(2, 0, 1)[None].float()
        tx, ty = torch.from_numpy(x.astype(np.float32)), torch.from_numpy(y.astype(np.float32)).view(-1, 1)
        u = (tx * a + ty * b + (piece.middle_px[0] - left)) * (2 / (right - left)) - 1
        v = (tx * c + ty * d + (piece.middle_px[1] - top)) * (2 / (bottom - top)) - 1
        cut = F.grid_sample(part, torch.stack([u, v], -1)[None], mode="bilinear", align_corners=False)[0]
        return linear_from_pixels(cut.add_(0.5).to(torch.uint8))

    def _cut_together(
        self,
        pieces: Sequence[Piece],
        size_px: tuple[int, int],
        window: tuple[int, int, int, int],
        device: torch.device,
    ) -> torch.Tensor:
        y0, x0, h, w = window
        x = torch.arange(x0, x0 + w, device=device) + 0.5 - size_px[1] / 2
        y = torch.arange(y0, y0 + h, device=device) + 0.5 - size_px[0] / 2
        which, px, py = _places(pieces, x, y)
        codes = self._stack(device).read(which, px, py)
        return linear_from_pixels(codes.add_(0.5).to(torch.uint8))

    def _light(self, pieces: Sequence[Piece], size_px: tuple[int, int], nodes: Nodes) -> torch.Tensor:
        """Share of full light at the nodes [B, 1, *nodes.count]."""
        device = nodes.x.device
        which, px, py = _places(pieces, nodes.x - size_px[1] / 2, nodes.y - size_px[0] / 2)
        return self._light_stack(device).read(which, px / LIGHT_STEP_PX, py / LIGHT_STEP_PX)

    def _stack(self, device: torch.device) -> PictureStack:
        if device not in self._stacks:
            self._stacks[device] = PictureStack([p.pixels for p in self.photographs], device)
        return self._stacks[device]

    def _light_stack(self, device: torch.device) -> PictureStack:
        if device not in self._light_stacks:
            self._light_stacks[device] = PictureStack([p.light[..., None] for p in self.photographs], device)
        return self._light_stacks[device]


def _places(
    pieces: Sequence[Piece], x: torch.Tensor, y: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Photograph numbers [B] and coordinates (x, y) [B, h, w] in them of picture points about the picture's middle."""
    rows = [(*piece.matrix, *piece.middle_px) for piece in pieces]
    a, b, c, d, mx, my = torch.tensor(rows, device=x.device).view(-1, 6, 1, 1).unbind(1)
    y = y.view(-1, 1)
    which = torch.tensor([piece.photograph for piece in pieces], device=x.device)
    return which, x * a + y * b + mx, x * c + y * d + my


def _odds_of(photographs: Sequence[BankedPhotograph]) -> tuple[dict[str, list[int]], dict[str, float]]:
    """Photographs of each flight by number, and the square root of each flight's area."""
    members: dict[str, list[int]] = {}
    for i, photograph in enumerate(photographs):
        members.setdefault(photograph.flight, []).append(i)
    return members, {name: math.sqrt(sum(photographs[i].area_px for i in own)) for name, own in members.items()}


def _drawn(rng: np.random.Generator, weights: NDArray[np.float64]) -> int:
    return int(rng.choice(len(weights), p=weights / weights.sum()))


def _mirrored(index: np.ndarray, size: int) -> np.ndarray:
    """Indices beyond a photograph's border run back into it."""
    folded = index % (2 * size)
    return np.where(folded < size, folded, 2 * size - 1 - folded)


def _exact(pixels: NDArray[np.uint8], piece: Piece, x: np.ndarray, y: np.ndarray) -> NDArray[np.uint8]:
    """Pixels [3, h, w] of a piece that is only turned by quarters and mirrored."""
    a, b, c, d = (round(v) for v in piece.matrix)
    if a:  # picture x runs along photograph x
        columns = np.floor(a * x + piece.middle_px[0]).astype(np.int64)
        rows = np.floor(d * y + piece.middle_px[1]).astype(np.int64)
        cut = pixels[_mirrored(rows, pixels.shape[0])[:, None], _mirrored(columns, pixels.shape[1])]
        return np.ascontiguousarray(cut.transpose(2, 0, 1))
    columns = np.floor(b * y + piece.middle_px[0]).astype(np.int64)
    rows = np.floor(c * x + piece.middle_px[1]).astype(np.int64)
    cut = pixels[_mirrored(rows, pixels.shape[0])[:, None], _mirrored(columns, pixels.shape[1])]
    return np.ascontiguousarray(cut.transpose(2, 1, 0))
