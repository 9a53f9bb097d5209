-- +goose Up

-- The map from the time since a boot to UTC, stream by stream: offset_ns of
-- boot holds until the first line. Lines are added only after booked_ns, the
-- newest instant that the stream has booked (NULL: by an older version).
ALTER TABLE stream_boot ADD COLUMN booked_ns INTEGER;
CREATE TABLE boot_line (
    stream_num INTEGER NOT NULL REFERENCES stream,
    idx        INTEGER NOT NULL,
    n          INTEGER NOT NULL,
    from_ns    INTEGER NOT NULL,
    offset_ns  INTEGER NOT NULL,
    rate       INTEGER NOT NULL,
    step       INTEGER NOT NULL,
    PRIMARY KEY (stream_num, idx, n)
) WITHOUT ROWID;

-- Of the revolutions: made by hand or by the inching button.
ALTER TABLE account ADD COLUMN inched INTEGER NOT NULL DEFAULT 0;
ALTER TABLE rollup ADD COLUMN inched INTEGER NOT NULL DEFAULT 0;

-- How many records of a stream were stored unread, and the newest kind that
-- the last server on this file could read.
ALTER TABLE stream ADD COLUMN unread INTEGER NOT NULL DEFAULT 0;
UPDATE stream SET unread = (SELECT count(*) FROM record WHERE stream_num = num AND kind & 255 = 0);
ALTER TABLE meta ADD COLUMN kinds INTEGER NOT NULL DEFAULT 18;

DROP VIEW IF EXISTS v1_totals;
CREATE VIEW v1_totals AS
SELECT m.id AS machine,
       coalesce(a.revolutions, 0) AS revolutions,
       coalesce(a.stops, 0) AS stops,
       CASE WHEN s.id IS NULL THEN 0 ELSE 1 END AS open_stops,
       coalesce(a.lost_min, 0) AS lost_min,
       coalesce(a.lost_max, 0) AS lost_max,
       coalesce((SELECT sum(n.revolutions * c.kg_per_revolution)
                 FROM assignment_count n
                 JOIN assignment j ON j.machine_num = n.machine_num AND j.from_ms = n.from_ms
                 JOIN card c ON c.id = j.card
                 WHERE n.machine_num = m.num), 0.0) AS kilos_counted,
       coalesce(a.run_ms, 0) AS run_ms,
       coalesce(a.stop_ms, 0) AS stop_ms,
       coalesce(a.unknown_ms, 0) AS unknown_ms,
       (SELECT json_group_object(cause, stops)
        FROM (SELECT cause, stops FROM cause_count WHERE machine_num = m.num ORDER BY cause)) AS stops_by_cause,
       coalesce(a.inched, 0) AS inched
FROM machine m
LEFT JOIN account a ON a.machine_num = m.num
LEFT JOIN stop s ON s.machine_num = m.num AND s.id = a.open_stop AND s.input = 1;
