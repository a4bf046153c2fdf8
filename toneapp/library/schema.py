"""What does the data base of the library look like?

Schema version 3. Versions 1 and 2 are those of the development before the first release: 1 lacks
the columns `search_text` (its search could not find "Flügel" by "FLÜGEL"), 2 the exact bounds of
strikes. Both are still read, by the migrations in `migrations`. Texts are never NULL; a quantity
that is not known is.

Times are ISO 8601 in UTC. Each table that a person edits has `version`, raised with every change,
so that the later of two who change the same row is told. Rows in the bin have `deleted_at`.
"""

from __future__ import annotations

__all__ = ["APPLICATION_ID", "CREATE", "SCHEMA_VERSION", "TABLES", "UNCHECKED_TABLES"]

APPLICATION_ID = 0x746F6E65
"""In the head of the file: the letters "tone" in ASCII."""

SCHEMA_VERSION = 3

_INSTRUMENT = """
CREATE TABLE instrument (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  uid TEXT NOT NULL UNIQUE,
  name TEXT NOT NULL CHECK (name <> ''),
  kind TEXT NOT NULL CHECK (kind IN ('upright', 'grand', 'other')),
  maker TEXT NOT NULL DEFAULT '',
  model TEXT NOT NULL DEFAULT '',
  serial TEXT NOT NULL DEFAULT '',
  year TEXT NOT NULL DEFAULT '',
  owner TEXT NOT NULL DEFAULT '',
  place TEXT NOT NULL DEFAULT '',
  notes TEXT NOT NULL DEFAULT '',
  lowest_midi INTEGER NOT NULL,
  highest_midi INTEGER NOT NULL,
  first_plain_midi INTEGER,
  last_damper_midi INTEGER,
  bass_bridge_top_midi INTEGER,
  strings TEXT NOT NULL DEFAULT '[]',
  a4_hz REAL NOT NULL,
  search_text TEXT NOT NULL DEFAULT '',
  created_at TEXT NOT NULL,
  changed_at TEXT NOT NULL,
  deleted_at TEXT,
  version INTEGER NOT NULL DEFAULT 1,
  CHECK (lowest_midi <= highest_midi)
) STRICT
"""

_RUN = """
CREATE TABLE run (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  uid TEXT NOT NULL UNIQUE,
  instrument_id INTEGER NOT NULL REFERENCES instrument (id),
  condition TEXT NOT NULL DEFAULT '',
  purpose TEXT NOT NULL CHECK (purpose IN ('evenness', 'ring-on', 'repetition')),
  recorded_at TEXT NOT NULL,
  place TEXT NOT NULL DEFAULT '',
  microphone TEXT NOT NULL DEFAULT '',
  distance_m REAL,
  gain_note TEXT NOT NULL DEFAULT '',
  calibration_db REAL,
  channel TEXT NOT NULL DEFAULT 'auto',
  note_order TEXT CHECK (note_order IN ('ascending', 'descending', 'free')),
  notes TEXT NOT NULL DEFAULT '',
  search_text TEXT NOT NULL DEFAULT '',
  created_at TEXT NOT NULL,
  changed_at TEXT NOT NULL,
  deleted_at TEXT,
  version INTEGER NOT NULL DEFAULT 1
) STRICT
"""

CREATE = (
    "CREATE TABLE library_fact (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT",
    _INSTRUMENT,
    _RUN,
    "CREATE INDEX run_by_instrument ON run (instrument_id)",
    # What was recorded at one go: the run itself (kind 'run', number 1) or notes recorded again.
    """
CREATE TABLE take (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  uid TEXT NOT NULL UNIQUE,
  run_id INTEGER NOT NULL REFERENCES run (id),
  number INTEGER NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('run', 'notes')),
  replaces INTEGER NOT NULL DEFAULT 0 CHECK (replaces IN (0, 1)),
  note TEXT NOT NULL DEFAULT '',
  recorded_at TEXT NOT NULL,
  deleted_at TEXT,
  version INTEGER NOT NULL DEFAULT 1,
  UNIQUE (run_id, number)
) STRICT
""",
    """
CREATE TABLE recording (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  take_id INTEGER NOT NULL REFERENCES take (id),
  position INTEGER NOT NULL,
  name TEXT NOT NULL,
  sha256 TEXT NOT NULL,
  bytes INTEGER NOT NULL,
  frames INTEGER NOT NULL,
  sample_rate_hz INTEGER NOT NULL,
  channels INTEGER NOT NULL,
  scale REAL NOT NULL DEFAULT 1.0,
  origin TEXT NOT NULL DEFAULT '',
  problems TEXT NOT NULL DEFAULT '[]',
  UNIQUE (take_id, position)
) STRICT
""",
    "CREATE INDEX recording_by_audio ON recording (sha256)",
    # Audio whose last row is gone; removed from the disk after that was committed.
    "CREATE TABLE doomed_audio (sha256 TEXT PRIMARY KEY) STRICT",
    # The large content stands last, so that a list of runs need not read through it.
    """
CREATE TABLE result (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  take_id INTEGER NOT NULL REFERENCES take (id),
  measures_version INTEGER NOT NULL,
  made_at TEXT NOT NULL,
  settings TEXT NOT NULL,
  strikes INTEGER NOT NULL,
  notes INTEGER NOT NULL,
  raised INTEGER NOT NULL,
  level_evenness_db REAL,
  brightness_evenness_oct REAL,
  content BLOB NOT NULL,
  UNIQUE (take_id, measures_version)
) STRICT
""",
    """
CREATE TABLE strike_edit (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  take_id INTEGER NOT NULL REFERENCES take (id),
  part TEXT NOT NULL DEFAULT '',
  onset_s REAL NOT NULL,
  action TEXT NOT NULL CHECK (action IN ('relabel', 'discard')),
  midi INTEGER,
  note TEXT NOT NULL DEFAULT '',
  made_at TEXT NOT NULL,
  exact_onset_s REAL,
  release_s REAL,
  version INTEGER NOT NULL DEFAULT 1,
  CHECK ((action = 'relabel') = (midi IS NOT NULL))
) STRICT
""",
    "CREATE INDEX strike_edit_by_take ON strike_edit (take_id)",
    """
CREATE TABLE worksheet_item (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  uid TEXT NOT NULL UNIQUE,
  instrument_id INTEGER NOT NULL REFERENCES instrument (id),
  position INTEGER NOT NULL,
  area TEXT NOT NULL,
  finding TEXT NOT NULL DEFAULT '',
  action TEXT NOT NULL DEFAULT '',
  state TEXT NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'done')),
  minutes INTEGER CHECK (minutes >= 0),
  note TEXT NOT NULL DEFAULT '',
  midi INTEGER,
  raised_run_uid TEXT NOT NULL DEFAULT '',
  raised_as TEXT NOT NULL DEFAULT '',
  created_at TEXT NOT NULL,
  done_at TEXT,
  deleted_at TEXT,
  version INTEGER NOT NULL DEFAULT 1
) STRICT
""",
    "CREATE INDEX worksheet_by_instrument ON worksheet_item (instrument_id)",
    # One sitting of weighing and measuring keys by hand.
    """
CREATE TABLE hand_set (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  uid TEXT NOT NULL UNIQUE,
  instrument_id INTEGER NOT NULL REFERENCES instrument (id),
  title TEXT NOT NULL DEFAULT '',
  measured_at TEXT NOT NULL,
  note TEXT NOT NULL DEFAULT '',
  deleted_at TEXT,
  version INTEGER NOT NULL DEFAULT 1
) STRICT
""",
    "CREATE INDEX hand_set_by_instrument ON hand_set (instrument_id)",
    """
CREATE TABLE hand_value (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  set_id INTEGER NOT NULL REFERENCES hand_set (id),
  midi INTEGER NOT NULL,
  down_weight_g REAL,
  up_weight_g REAL,
  key_dip_mm REAL,
  version INTEGER NOT NULL DEFAULT 1,
  UNIQUE (set_id, midi)
) STRICT
""",
    """
CREATE TABLE worklist_tick (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  run_id INTEGER NOT NULL REFERENCES run (id),
  midi INTEGER NOT NULL,
  subject TEXT NOT NULL,
  note TEXT NOT NULL DEFAULT '',
  made_at TEXT NOT NULL,
  version INTEGER NOT NULL DEFAULT 1,
  UNIQUE (run_id, midi, subject)
) STRICT
""",
    # What people did, for undo: one act may change several rows.
    """
CREATE TABLE act (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  label TEXT NOT NULL,
  made_at TEXT NOT NULL,
  undone_at TEXT,
  is_overtaken INTEGER NOT NULL DEFAULT 0 CHECK (is_overtaken IN (0, 1))
) STRICT
""",
    """
CREATE TABLE act_change (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  act_id INTEGER NOT NULL REFERENCES act (id) ON DELETE CASCADE,
  subject TEXT NOT NULL,
  row_id INTEGER NOT NULL,
  before TEXT,
  after TEXT
) STRICT
""",
    "CREATE INDEX act_change_by_act ON act_change (act_id)",
    "CREATE INDEX act_change_by_row ON act_change (subject, row_id)",
)
"""Statements that make an empty library, in their order."""

TABLES = (
    "library_fact", "instrument", "run", "take", "recording", "doomed_audio", "result",
    "strike_edit", "worksheet_item", "hand_set", "hand_value", "worklist_tick", "act",
    "act_change",
)  # fmt: skip

UNCHECKED_TABLES = frozenset({"result"})
"""Not read through at every opening, since it may be large and can be measured again; it is
checked before a migration and by ``toneapp library check``."""
