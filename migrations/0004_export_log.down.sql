DROP TABLE export_secret;
DROP TABLE export_log;
DROP TABLE export_snapshot;
DROP FUNCTION export_log_stays();
