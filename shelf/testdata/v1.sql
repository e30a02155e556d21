-- A shelf of version 1, as that version made it. Never changed once released.
CREATE TABLE meta(key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE files(
	id INTEGER PRIMARY KEY,
	sha256 TEXT NOT NULL UNIQUE CHECK(length(sha256) = 64),
	size INTEGER NOT NULL CHECK(size >= 0),
	kind TEXT NOT NULL,
	name TEXT NOT NULL,          -- as it was called when first seen
	whole INTEGER NOT NULL,      -- 1: no faults were found
	about TEXT NOT NULL,         -- first fault, or where it loads, in words
	added TEXT NOT NULL
);
CREATE TABLE paths(
	file INTEGER NOT NULL REFERENCES files(id),
	path TEXT NOT NULL,
	added TEXT NOT NULL,
	PRIMARY KEY(file, path)
) WITHOUT ROWID;
CREATE INDEX paths_by_path ON paths(path);
CREATE TABLE masters(
	id INTEGER PRIMARY KEY,
	type TEXT NOT NULL CHECK(type IN ('disk', 'tape')),
	number TEXT NOT NULL,        -- as the manifest has it: D01
	title TEXT NOT NULL,
	machine TEXT NOT NULL,
	recording TEXT NOT NULL,
	sha256 TEXT NOT NULL,        -- of the image or the sound
	verified INTEGER NOT NULL,
	path TEXT NOT NULL,
	added TEXT NOT NULL,
	UNIQUE(number, sha256)
);
CREATE TABLE items(
	master INTEGER NOT NULL REFERENCES masters(id),
	side TEXT NOT NULL,
	place INTEGER NOT NULL,      -- order on the side
	name TEXT NOT NULL,          -- in the medium's own form
	at TEXT NOT NULL,            -- counter position or units
	size TEXT NOT NULL,
	path TEXT NOT NULL,          -- in the archive, as the manifest has it
	sha256 TEXT NOT NULL,        -- of the archive's file; '' if not known
	damaged INTEGER NOT NULL,
	PRIMARY KEY(master, side, place)
) WITHOUT ROWID;
CREATE INDEX items_by_sha256 ON items(sha256);
CREATE TABLE media(
	id INTEGER PRIMARY KEY,
	number TEXT NOT NULL UNIQUE, -- on the label
	type TEXT NOT NULL CHECK(type IN ('disk', 'tape')),
	title TEXT NOT NULL,
	place TEXT NOT NULL,         -- where it is kept
	state TEXT NOT NULL CHECK(state IN ('blank', 'made', 'proven', 'failing')),
	master INTEGER REFERENCES masters(id),
	added TEXT NOT NULL
);
CREATE TABLE runs(
	id INTEGER PRIMARY KEY,
	uid TEXT NOT NULL UNIQUE,    -- so that an import twice is an import once
	medium INTEGER NOT NULL REFERENCES media(id),
	at TEXT NOT NULL,
	kind TEXT NOT NULL CHECK(kind IN ('write', 'read', 'verify')),
	equipment TEXT NOT NULL,
	outcome TEXT NOT NULL CHECK(outcome IN ('good', 'repaired', 'doubtful', 'lost')),
	margin REAL,                 -- least margin, 0..1; NULL: not measured
	detail TEXT NOT NULL
);
CREATE INDEX runs_by_medium ON runs(medium, at);
CREATE TABLE notes(
	id INTEGER PRIMARY KEY,
	uid TEXT NOT NULL UNIQUE,
	subject TEXT NOT NULL,       -- 'file:SHA256', 'medium:NUMBER', 'master:NUMBER:SHA256'
	at TEXT NOT NULL,
	text TEXT NOT NULL
);
CREATE INDEX notes_by_subject ON notes(subject);
CREATE TABLE tags(subject TEXT NOT NULL, tag TEXT NOT NULL, PRIMARY KEY(subject, tag)) WITHOUT ROWID;
CREATE INDEX tags_by_tag ON tags(tag);
INSERT INTO files VALUES(1,'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa',479,'basic-disk','TIDES.BAS',1,'','2026-01-02T03:04:05Z');
INSERT INTO files VALUES(2,'bbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbb',12351,'load-module','COAST.CMD',1,'COAST, loads at 5200h','2026-01-02T03:04:05Z');
INSERT INTO paths VALUES(1,'/archive/TIDES.BAS','2026-01-02T03:04:05Z');
INSERT INTO paths VALUES(1,'/copy/tides.bas','2026-01-02T03:04:06Z');
INSERT INTO paths VALUES(2,'/archive/COAST.CMD','2026-01-02T03:04:05Z');
INSERT INTO masters VALUES(1,'disk','D01','Saltmarsh Collection','z80-fm10','fm10x256:40x1','cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc',1,'/masters/D01.img','2026-01-03T00:00:00Z');
INSERT INTO items VALUES(1,'',0,'TIDES/BAS','granule 1','479 B','/archive/TIDES.BAS','aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa',0);
INSERT INTO items VALUES(1,'',1,'COAST/CMD','granule 2-11','12.1 KiB','/archive/COAST.CMD','bbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbb',0);
INSERT INTO media VALUES(1,'SCC-0012','disk','Saltmarsh Collection','box 3','proven',1,'2026-01-04T00:00:00Z');
INSERT INTO media VALUES(2,'SCC-0013','disk','spare','box 3','blank',NULL,'2026-01-04T00:00:00Z');
INSERT INTO runs VALUES(1,'u1',1,'2026-01-04T10:00:00Z','write','drive A','good',NULL,'');
INSERT INTO runs VALUES(2,'u2',1,'2026-01-04T10:05:00Z','read','drive A','good',0.45,'first reading');
INSERT INTO notes VALUES(1,'n1','medium:SCC-0012','2026-01-04T10:06:00Z','label torn');
INSERT INTO tags VALUES('file:aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa','reading-room');
PRAGMA user_version = 1;
PRAGMA application_id = 1380798019;
