package history

import (
	"context"
	"database/sql"
	"fmt"
)

// applicationID marks the file as a store of this program (PRAGMA
// application_id); the letters are "SBNK".
const applicationID = 0x53424e4b

// migrations take a store forward, one version each. A released entry is
// never edited: a change is a new entry at the end.
//
// Rows are clustered by the order in which they are written, so that a commit
// touches the last page of a table and no other. There is no secondary index
// on purpose: each would add pages to every commit.
var migrations = []string{
	`CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
	 CREATE TABLE events (
		seq     INTEGER PRIMARY KEY,
		unit    TEXT NOT NULL,
		time    INTEGER,           -- ns since 1970, UTC
		kind    TEXT NOT NULL,
		id      TEXT,              -- only where it is not installation-seq
		payload TEXT NOT NULL      -- the event as JSON
	 );
	 CREATE TABLE alarm_states (
		unit TEXT NOT NULL, source TEXT NOT NULL, name TEXT NOT NULL,
		state TEXT NOT NULL,
		seq   INTEGER NOT NULL,    -- of the event that led there
		payload TEXT NOT NULL,     -- that event as JSON
		PRIMARY KEY (unit, source, name)
	 ) WITHOUT ROWID;
	 CREATE TABLE runs (
		number INTEGER PRIMARY KEY,
		unit TEXT NOT NULL, position TEXT NOT NULL, serial TEXT NOT NULL,
		start INTEGER, stop INTEGER, -- ns since 1970, UTC
		seconds REAL NOT NULL, lead INTEGER NOT NULL,
		start_seen INTEGER NOT NULL, cut INTEGER NOT NULL, doubt REAL NOT NULL
	 );
	 CREATE TABLE units (unit TEXT PRIMARY KEY, saved INTEGER, state BLOB NOT NULL);
	 CREATE TABLE cursors (name TEXT PRIMARY KEY, seq INTEGER NOT NULL) WITHOUT ROWID;
	 CREATE TABLE series (number INTEGER PRIMARY KEY, unit TEXT NOT NULL, name TEXT NOT NULL, UNIQUE (unit, name));
	 CREATE TABLE trends (
		start INTEGER NOT NULL,    -- ns since 1970, UTC
		series INTEGER NOT NULL,
		seconds REAL NOT NULL, count INTEGER NOT NULL,
		min REAL, mean REAL, max REAL,
		PRIMARY KEY (start, series, seconds)
	 ) WITHOUT ROWID;`,
	// Coarse rows come a few times a day, so they are clustered by how they are
	// read: one series over years.
	`CREATE TABLE coarse (
		seconds INTEGER NOT NULL,  -- 600 or 3600
		series  INTEGER NOT NULL,
		start   INTEGER NOT NULL,  -- ns since 1970, UTC, a multiple of seconds
		covered REAL NOT NULL,     -- s of it that hold readings
		count   INTEGER NOT NULL,
		min REAL NOT NULL, mean REAL NOT NULL, max REAL NOT NULL,
		PRIMARY KEY (seconds, series, start)
	 ) WITHOUT ROWID;`,
	// Failures are few, are changed for years and outlive their events.
	`CREATE TABLE failures (
		unit TEXT NOT NULL, id TEXT NOT NULL,
		seq     INTEGER NOT NULL,  -- of the event that told it last
		payload TEXT NOT NULL,     -- the failure as JSON, as that event has it
		PRIMARY KEY (unit, id)
	 ) WITHOUT ROWID;`,
}

// migrate brings the schema to the newest version, one transaction a step.
func migrate(ctx context.Context, c *sql.Conn) error {
	var version int
	if err := c.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return fmt.Errorf("schema version: %w", err)
	}
	if version > len(migrations) {
		return fmt.Errorf("schema version %d, this program knows %d: %w", version, len(migrations), errNewer)
	}
	for ; version < len(migrations); version++ {
		if err := migrateOne(ctx, c, version); err != nil {
			return fmt.Errorf("schema version %d to %d: %w", version, version+1, err)
		}
	}
	return nil
}

func migrateOne(ctx context.Context, c *sql.Conn, version int) error {
	tx, err := c.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	// Neither pragma takes a bound parameter; both numbers are our own.
	script := migrations[version] +
		fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d;", applicationID, version+1)
	if _, err := tx.ExecContext(ctx, script); err != nil {
		return err
	}
	return tx.Commit()
}
