DROP TABLE report_run;
DROP TABLE access_refusal;
DROP TABLE sign_in_attempt;
DROP TABLE session;
DROP TABLE account;
