"""What is known of each kind of ground: its colours, the strength of its texture, how its borders run.

Colours are pairs of encoded sRGB as seen in daylight photographs from the air, (main, other); a material mixes between the
two. They become linear reflectance when drawn. Ours, judged by eye; common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

Code = tuple[int, int, int]


@dataclass(frozen=True)
class GroundKind:
    """Constants of a kind. ``soft_m`` and ``ragged_m`` shape its border, ``height_m`` makes it throw shade."""

    palette: tuple[tuple[Code, Code], ...]
    tone: float = 1.0
    relief: float = 1.0
    mix_blotch: float = 0.2
    """How far its mixture drifts over metres."""
    soft_m: float = 0.25
    """Over what width it fades out."""
    ragged_m: float = 0.12
    """How far the fine texture moves its border, for a tone that varies by 0.15; faint textures need more. Much less than
    ``soft_m`` and it thins out evenly, more and it ends crisply around its single tufts, leaves or stones."""
    height_m: tuple[float, float] = (0.0, 0.0)
    patchy: float = 0.5
    """How strong its spots of decimetres to metres are, as a share of the recipe's most."""


KINDS: dict[str, GroundKind] = {
    "mown_grass": GroundKind(
        (
            ((104, 140, 62), (146, 158, 86)),
            ((92, 128, 66), (130, 150, 92)),
            ((120, 152, 70), (170, 172, 104)),
            ((84, 112, 52), (136, 132, 84)),
            ((124, 166, 74), (160, 180, 90)),
            ((96, 108, 58), (150, 138, 92)),
        ),
        tone=1.0,
        soft_m=0.28,
        ragged_m=0.22,
    ),
    "weedy_grass": GroundKind(
        (
            ((100, 136, 62), (158, 158, 92)),
            ((90, 124, 60), (150, 148, 88)),
            ((112, 140, 66), (176, 166, 106)),
            ((104, 118, 66), (166, 146, 104)),
        ),
        tone=1.2,
        soft_m=0.3,
        ragged_m=0.24,
        patchy=0.7,
    ),
    "wild_grass": GroundKind(
        (
            ((96, 118, 62), (160, 150, 104)),
            ((80, 104, 54), (128, 132, 80)),
            ((110, 124, 72), (176, 164, 118)),
            ((88, 110, 66), (118, 118, 78)),
            ((74, 92, 50), (126, 112, 76)),
        ),
        height_m=(0.05, 0.25),
        soft_m=0.35,
        ragged_m=0.2,
        patchy=1.0,
        tone=1.5,
        relief=2.0,
    ),
    "dry_grass": GroundKind(
        (
            ((150, 132, 94), (206, 190, 146)),
            ((136, 124, 86), (190, 176, 130)),
            ((160, 146, 104), (216, 200, 158)),
            ((128, 120, 78), (184, 164, 112)),
            ((146, 128, 98), (186, 170, 140)),
        ),
        soft_m=0.35,
        ragged_m=0.18,
        patchy=0.9,
        tone=1.3,
        relief=1.4,
    ),
    "clover": GroundKind(
        (
            ((78, 116, 56), (150, 170, 110)),
            ((70, 104, 56), (138, 152, 98)),
            ((88, 124, 60), (124, 148, 84)),
        ),
        soft_m=0.3,
        ragged_m=0.25,
        patchy=0.7,
    ),
    "reeds": GroundKind(
        (
            ((82, 104, 56), (176, 162, 112)),
            ((92, 110, 62), (140, 146, 88)),
            ((120, 116, 76), (196, 180, 134)),
        ),
        soft_m=0.2,
        ragged_m=0.3,
        height_m=(0.8, 1.8),
        patchy=0.8,
        tone=1.5,
        relief=2.2,
    ),
    "broad_leaves": GroundKind(
        (
            ((78, 116, 58), (128, 162, 88)),
            ((70, 102, 62), (110, 140, 92)),
            ((96, 130, 60), (150, 172, 90)),
            ((88, 110, 80), (132, 150, 118)),
        ),
        soft_m=0.06,
        ragged_m=0.12,
        height_m=(0.2, 0.6),
        patchy=0.6,
        tone=1.3,
        relief=1.8,
    ),
    "soil": GroundKind(
        (
            ((118, 96, 74), (152, 128, 102)),
            ((96, 78, 62), (130, 108, 88)),
            ((140, 114, 86), (176, 150, 120)),
            ((132, 96, 70), (160, 122, 92)),
            ((88, 76, 66), (122, 108, 94)),
            ((154, 136, 112), (186, 170, 146)),
            ((112, 94, 86), (148, 130, 120)),
        ),
        soft_m=0.35,
        ragged_m=0.2,
        patchy=0.6,
        tone=0.8,
        relief=0.8,
    ),
    "mud": GroundKind(
        (
            ((96, 84, 70), (130, 116, 98)),
            ((84, 72, 60), (116, 102, 84)),
            ((118, 106, 92), (152, 140, 124)),
        ),
        soft_m=0.3,
        ragged_m=0.12,
        patchy=0.7,
    ),
    "sand": GroundKind(
        (
            ((196, 176, 142), (216, 200, 170)),
            ((176, 158, 128), (200, 184, 156)),
            ((206, 192, 166), (226, 214, 192)),
            ((184, 160, 122), (204, 182, 146)),
        ),
        soft_m=0.35,
        ragged_m=0.22,
        patchy=0.3,
    ),
    "gravel": GroundKind(
        (
            ((150, 144, 136), (182, 176, 168)),
            ((132, 126, 120), (170, 158, 142)),
            ((168, 160, 148), (200, 192, 178)),
            ((146, 132, 118), (178, 166, 152)),
        ),
        soft_m=0.3,
        ragged_m=0.18,
        patchy=0.4,
    ),
    "rubble": GroundKind(
        (
            ((118, 104, 88), (176, 168, 156)),
            ((130, 118, 104), (196, 190, 180)),
            ((112, 96, 84), (170, 140, 124)),
        ),
        soft_m=0.3,
        ragged_m=0.22,
        mix_blotch=0.08,
        patchy=0.8,
        tone=1.5,
        relief=2.0,
    ),
    "asphalt": GroundKind(
        (
            ((98, 98, 100), (116, 115, 114)),
            ((122, 121, 120), (138, 136, 132)),
            ((82, 82, 86), (98, 97, 98)),
            ((142, 140, 136), (156, 152, 146)),
        ),
        mix_blotch=0.12,
        soft_m=0.03,
        ragged_m=0.02,
        patchy=0.3,
    ),
    "concrete": GroundKind(
        (
            ((178, 174, 166), (194, 190, 180)),
            ((160, 157, 150), (176, 170, 158)),
            ((196, 192, 184), (208, 204, 194)),
            ((170, 158, 142), (186, 172, 156)),
            ((150, 118, 104), (168, 136, 120)),
        ),
        mix_blotch=0.12,
        soft_m=0.02,
        ragged_m=0.01,
        patchy=0.3,
    ),
    "leaf_litter": GroundKind(
        (
            ((120, 92, 66), (176, 136, 92)),
            ((104, 86, 66), (150, 124, 94)),
            ((126, 100, 66), (190, 158, 92)),
            ((98, 78, 62), (162, 116, 80)),
        ),
        soft_m=0.4,
        ragged_m=0.3,
        patchy=1.0,
        tone=1.5,
        relief=1.9,
    ),
    "bark_mulch": GroundKind(
        (
            ((104, 78, 60), (164, 126, 92)),
            ((88, 66, 54), (140, 104, 80)),
            ((130, 106, 84), (188, 160, 126)),
        ),
        soft_m=0.08,
        ragged_m=0.08,
        tone=1.3,
        relief=1.5,
    ),
    "brushwood": GroundKind(
        (
            ((98, 82, 66), (186, 170, 146)),
            ((84, 74, 62), (166, 152, 130)),
            ((112, 98, 80), (200, 188, 168)),
        ),
        soft_m=0.35,
        ragged_m=0.25,
        patchy=1.0,
        tone=1.9,
        relief=2.4,
    ),
    "shrubs": GroundKind(
        (
            ((74, 96, 48), (112, 128, 70)),
            ((66, 84, 46), (96, 110, 64)),
            ((92, 108, 62), (136, 142, 90)),
            ((84, 96, 70), (128, 134, 106)),
            ((104, 96, 66), (140, 126, 88)),
        ),
        height_m=(0.4, 1.8),
        soft_m=0.08,
        ragged_m=0.16,
        patchy=1.0,
        tone=1.7,
        relief=1.9,
    ),
    "tree_crowns": GroundKind(
        (
            ((68, 92, 46), (110, 130, 68)),
            ((58, 80, 44), (92, 112, 62)),
            ((86, 110, 56), (134, 150, 84)),
            ((74, 88, 62), (116, 126, 94)),
            ((98, 92, 56), (150, 130, 76)),
        ),
        height_m=(3.0, 10.0),
        soft_m=0.1,
        ragged_m=0.32,
        patchy=1.0,
        tone=1.7,
        relief=1.7,
    ),
    "bark": GroundKind(
        (
            ((122, 108, 92), (176, 164, 148)),
            ((96, 82, 68), (140, 124, 106)),
            ((150, 142, 130), (196, 188, 176)),
        ),
        soft_m=0.015,
        ragged_m=0.01,
    ),
    "water": GroundKind(
        (
            ((52, 62, 60), (84, 116, 58)),
            ((66, 70, 56), (104, 132, 70)),
            ((44, 52, 58), (92, 108, 62)),
            ((84, 82, 66), (120, 140, 84)),
        ),
        soft_m=0.1,
        ragged_m=0.05,
        mix_blotch=0.08,
        patchy=0.3,
    ),
    "sheeting": GroundKind(
        (
            ((196, 194, 188), (212, 210, 204)),
            ((60, 60, 64), (74, 74, 78)),
            ((112, 116, 122), (130, 134, 140)),
            ((146, 88, 70), (164, 106, 86)),
            ((70, 104, 140), (86, 120, 156)),
            ((74, 96, 74), (92, 114, 90)),
        ),
        soft_m=0.015,
        ragged_m=0.0,
        mix_blotch=0.1,
        patchy=0.15,
    ),
    # What lies scattered on other ground; a wide pair of colours, for each thing has its own.
    "stones": GroundKind(
        (
            ((96, 92, 86), (190, 184, 174)),
            ((120, 112, 100), (214, 208, 198)),
            ((88, 80, 74), (160, 146, 128)),
        ),
    ),
    "clods": GroundKind(
        (
            ((70, 58, 46), (118, 98, 76)),
            ((92, 76, 58), (140, 118, 90)),
            ((58, 50, 40), (88, 84, 58)),
        ),
    ),
    "bits": GroundKind(
        (
            ((150, 146, 136), (236, 234, 230)),
            ((204, 190, 90), (236, 230, 200)),
            ((120, 100, 84), (216, 208, 200)),
            ((90, 110, 150), (230, 226, 220)),
        ),
    ),
    "tufts": GroundKind(
        (
            ((76, 104, 50), (136, 150, 84)),
            ((96, 112, 60), (184, 170, 116)),
            ((64, 88, 48), (112, 132, 72)),
            ((120, 112, 74), (206, 190, 142)),
        ),
    ),
    "sticks": GroundKind(
        (
            ((84, 72, 60), (168, 156, 138)),
            ((110, 98, 84), (204, 194, 178)),
            ((70, 60, 52), (120, 104, 88)),
        ),
    ),
    "dead_leaves": GroundKind(
        (
            ((110, 80, 54), (188, 148, 92)),
            ((90, 72, 54), (150, 122, 90)),
            ((150, 120, 60), (214, 190, 110)),
        ),
    ),
}

# What may be blended into a main ground, by how often the two lie side by side (common practice, no source).
GRASSES = ("mown_grass", "weedy_grass", "wild_grass", "dry_grass", "clover")
EARTHS = ("soil", "mud", "sand", "gravel", "rubble")
MADE = ("asphalt", "concrete")
WOODS = ("leaf_litter", "brushwood", "shrubs", "tree_crowns")
NEIGHBOURS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(GRASSES, (*GRASSES, *GRASSES, "soil", "mud", "sand", "gravel", "leaf_litter", "shrubs")),
    **dict.fromkeys(
        EARTHS, (*EARTHS, *EARTHS, "dry_grass", "wild_grass", "weedy_grass", "clover", "brushwood", "shrubs", "mud")
    ),
    # What lies on paving in patches; one paving beside another has straight borders (``ground_structures``).
    **dict.fromkeys(MADE, ("gravel", "sand", "soil", "mown_grass", "weedy_grass", "dry_grass", "leaf_litter")),
    **dict.fromkeys(WOODS, (*WOODS, "wild_grass", "dry_grass", "soil", "mud", "brushwood")),
    "water": ("mud", "sand", "wild_grass", "soil", "gravel", "brushwood", "reeds", "reeds", "broad_leaves"),
    "reeds": ("water", "water", "mud", "wild_grass", "dry_grass", "brushwood", "shrubs"),
    "broad_leaves": ("water", "soil", "mud", "wild_grass", "shrubs", "bark_mulch"),
    "bark_mulch": ("mown_grass", "weedy_grass", "soil", "shrubs", "leaf_litter", "gravel", "broad_leaves"),
    "sheeting": ("gravel", "soil", "sand", "leaf_litter"),
}
