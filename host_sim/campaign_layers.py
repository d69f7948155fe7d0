"""What each layer of believing an edge is worth: the same campaign with one switched off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .campaign import LAYERS, Score, total
from .campaign_show import Rows, cells_of

PER = 100_000.0


def _not_kept(score: Score) -> float:
    """Sparks moved, lost or added, per 100 000 told pulses."""
    return PER * (score.sparks - score.within + score.lost) / max(score.told, 1)


def layers_dict(tables: Mapping[str, Rows]) -> dict[str, Any]:
    """Return the table as plain values; ``tables`` maps a layer that is off ("": none) to blocks.

    ``worse`` lists families in which more sparks were moved, lost or added than with all layers,
    the worst first.
    """
    whole = {cell.family: cell.score for cell in cells_of(tables[""])}
    rows = []
    for layer, blocks in tables.items():
        cells = cells_of(blocks)
        everything = total(score for _, score in blocks)
        changes = [(cell, _not_kept(whole[cell.family])) for cell in cells]
        worse = [(cell, before) for cell, before in changes if _not_kept(cell.score) > before + 1.0]
        worse.sort(key=lambda pair: pair[1] - _not_kept(pair[0].score))
        rows.append(
            {
                "layer": layer,
                "title": LAYERS[layer].title if layer else "all layers on",
                "moved_per_100000": round(
                    PER * (everything.sparks - everything.within) / max(everything.told, 1), 2
                ),
                "lost_per_100000": round(PER * everything.lost / max(everything.told, 1), 2),
                "furthest_deg_btdc": everything.furthest_deg_btdc,
                "busy_max_share": everything.busy_share,
                "worse": [
                    {
                        "family": cell.family,
                        "level": cell.level,
                        "not_kept_per_100000": round(_not_kept(cell.score), 2),
                        "before_per_100000": round(before, 2),
                    }
                    for cell, before in worse
                ],
            }
        )
    return {"turns_each": sum(block.turns for block, _ in tables[""]), "layers": rows}
