"""From links to a block that its own loops and its own pixels confirm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from belvedere.align.block import LensPrior
from belvedere.align.contradictions import find_contradictions
from belvedere.align.hand_ties import links_by_hand
from belvedere.align.links import Link, components, consistent
from belvedere.align.overlap_check import Structures
from belvedere.align.said import Said
from belvedere.align.solve import RoughBlock, solve_by_features
from belvedere.align.start import Mapper, Matches, Pair, Sights, StartingLens, verify_pairs
from belvedere.align.turn import find_open_turn
from belvedere.capture.frame_source import FrameSource
from belvedere.errors import NothingToMake

_TRIALS = 8  # links that may be blamed one after the other
_BLAMED_STRENGTH = 60.0  # a link stronger than this is believed, and the contradiction becomes a doubt


@dataclass(frozen=True, slots=True)
class FoundBlock:
    """The largest block, what else hangs together, the links that hold and those that do not.

    `unlike` are pairs of its frames whose pixels differ where they should overlap, and no link is to blame.
    """

    rough: RoughBlock
    blocks: tuple[tuple[int, ...], ...]
    kept: tuple[Link, ...]
    lost: tuple[Link, ...]
    unlike: tuple[Pair, ...]
    priors: tuple[LensPrior, ...]


def find_block(
    source: FrameSource,
    sights: Sights,
    starts: Sequence[StartingLens],
    matches: Matches,
    said: Said,
    run: Mapper,
    names: Sequence[str],
) -> FoundBlock:
    """Build the largest block of frames that hang together, as far as the photographer's word allows.

    Raises
    ------
    NothingToMake
        If no two frames can be shown to overlap, or tie points set by hand contradict one another.
    """
    count = len(sights.features)
    usable = {p: m for p, m in matches.items() if not said.left_out & set(p)}
    links = verify_pairs(sights, [s.lens for s in starts], usable, run)
    starts, links = _with_turn_closed(sights, starts, usable, links, run)
    lenses, priors = [s.lens for s in starts], [s.prior for s in starts]
    links = links_by_hand(sights, lenses, links, usable, said.left_out, names)
    structures = Structures(source)
    blamed: list[Link] = []
    while True:
        rotations, kept, lost = consistent(count, links, tolerance=_tolerance(sights, starts))
        blocks = components(count, kept)
        if len(blocks[0]) < 2:
            raise NothingToMake(
                f"no two of the {count} frames show the same thing; frames must overlap by about a third"
            )
        rough = solve_by_features(sights, blocks[0], kept, rotations, lenses, priors, usable, run)
        against = find_contradictions(
            structures, rough.frames, rough.cameras(sights), kept, rough.chosen, run, said.keep
        )
        blame = against.blamed
        if blame is None or blame.strength > _BLAMED_STRENGTH or len(blamed) == _TRIALS:
            return FoundBlock(
                rough,
                tuple(tuple(b) for b in blocks),
                tuple(kept),
                (*lost, *blamed),
                against.pairs,
                tuple(priors),
            )
        blamed.append(blame)
        links = [v for v in links if v is not blame]
        usable.pop((blame.a, blame.b), None)


def _tolerance(sights: Sights, starts: Sequence[StartingLens]) -> float:
    """Angle in rad by which a link may differ from the block."""
    halves = np.linalg.norm(sights.centres, axis=1)
    focal = np.array([s.lens.focal_px for s in starts])[sights.group_of]
    return max(0.01, 0.04 * float(np.max(halves / focal)))


def _with_turn_closed(
    sights: Sights, starts: Sequence[StartingLens], matches: Matches, links: list[Link], run: Mapper
) -> tuple[Sequence[StartingLens], list[Link]]:
    """Starting lenses and links after a turn that nearly closes has been closed, if that loses no link."""
    count = len(sights.features)
    _, kept, lost = consistent(count, links, tolerance=_tolerance(sights, starts))
    open_turn = find_open_turn(count, kept, lost)
    if open_turn is None or len(starts) != 1:
        return starts, links
    start = starts[0]
    lens = replace(start.lens, focal_px=start.lens.focal_px * open_turn.factor)
    closed = [replace(start, lens=lens, prior=replace(start.prior, focal_px=lens.focal_px))]
    again = verify_pairs(sights, [lens], matches, run)
    _, kept_again, _ = consistent(count, again, tolerance=_tolerance(sights, closed))
    wanted = (open_turn.link.a, open_turn.link.b)
    if any((v.a, v.b) == wanted for v in kept_again) and len(kept_again) > len(kept):
        return closed, again
    return starts, links
