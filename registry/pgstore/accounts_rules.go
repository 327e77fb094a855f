package pgstore

import "maps"

func init() { // beside their tables rather than in the list of the clinical rules
	maps.Copy(rules, map[string]string{
		"account_name_unique":           "an account with this name is there already",
		"account_name_form":             "the name of an account should be 2 to 40 small letters, digits, dots, hyphens or underscores",
		"account_role_known":            "the role of an account should be data-entry, surgeon, fellow, audit-lead or administrator",
		"account_failed_counted":        "failed sign-ins should be counted from 0",
		"account_clinician_of_surgeon":  "only the account of a surgeon should name a clinician",
		"session_token_length":          "the token of a session should be 32 bytes",
		"session_account":               "the account of a session should be there",
		"sign_in_attempt_outcome_known": "the outcome of a sign-in should be signed in, refused or locked",
		"access_refusal_account":        "the account that was refused should be there",
		"report_run_kind_known":         "a report should be an audit or a surgeon's own",
		"report_run_state_known":        "the state of a report should be waiting, working, ready or ended",
		"report_run_period_order":       "the last day of a report's period should be on or after the first",
		"report_run_whole":              "a report that is ready should have its page, workbook and snapshot",
	})
}
