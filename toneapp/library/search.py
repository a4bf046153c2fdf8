"""Which instruments and runs hold these words?

Functions: `search_library`.
"""

from __future__ import annotations

from toneapp.library.database import Database
from toneapp.library.migrations import fold_text
from toneapp.library.rows import SearchHit

__all__ = ["search_library"]

MOST_HITS = 200


def search_library(
    database: Database, words: str, *, limit: int = MOST_HITS
) -> tuple[SearchHit, ...]:
    """Find instruments and runs by their texts.

    Parameters
    ----------
    database : Database
    words : str
        All of them must be found, in any order, as parts of words; capitals and accents do not
        matter. A run is also found by the words of its instrument, if it adds one of its own.
    limit : int
        Most hits of either kind.

    Returns
    -------
    tuple of SearchHit
        Instruments by name, then runs, latest first. Without words, nothing.
    """
    wanted = fold_text(words).split()[:20]
    if not wanted:
        return ()
    every = " AND ".join("instr(i.search_text, ?) > 0" for _ in wanted)
    both = " AND ".join(
        "(instr(r.search_text, ?) > 0 OR instr(i.search_text, ?) > 0)" for _ in wanted
    )
    own = " OR ".join("instr(r.search_text, ?) > 0" for _ in wanted)
    twice = [word for word in wanted for _ in range(2)]
    with database.reading() as connection:
        instruments = connection.execute(
            f"SELECT i.* FROM instrument i WHERE i.deleted_at IS NULL AND {every}"
            " ORDER BY i.search_text, i.id LIMIT ?",
            (*wanted, limit),
        ).fetchall()
        runs = connection.execute(
            "SELECT r.*, i.name AS instrument_name FROM run r"
            " JOIN instrument i ON i.id = r.instrument_id"
            f" WHERE r.deleted_at IS NULL AND i.deleted_at IS NULL AND {both} AND ({own})"
            " ORDER BY r.recorded_at DESC, r.id DESC LIMIT ?",
            (*twice, *wanted, limit),
        ).fetchall()
    hits = [
        SearchHit(
            kind="instrument",
            id=row["id"],
            title=row["name"],
            instrument_id=row["id"],
            detail=", ".join(
                text for text in (row["kind"], row["maker"], row["model"], row["serial"]) if text
            ),
        )
        for row in instruments
    ]
    hits += [
        SearchHit(
            kind="run",
            id=row["id"],
            title=f"{row['instrument_name']}: {row['condition'] or row['purpose']}",
            instrument_id=row["instrument_id"],
            detail=", ".join(
                text for text in (row["recorded_at"][:10], row["place"], row["microphone"]) if text
            ),
        )
        for row in runs
    ]
    return tuple(hits)
