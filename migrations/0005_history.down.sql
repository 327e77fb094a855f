DROP FUNCTION history_record() CASCADE;
DROP FUNCTION watched_is_not_truncated() CASCADE;
DROP FUNCTION history_watch(regclass, text);
DROP TABLE history_head, history_link, history_image, history, history_shape;
DROP FUNCTION history_chain();
DROP FUNCTION history_is_kept();
