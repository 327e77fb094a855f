-- Whoever takes an eye out looks for the queries about it: without an index,
-- each eye of a batch that was undone read the whole table.
CREATE INDEX query_by_eye ON query (eye_id);
