DROP INDEX query_by_eye;
