// Package intake takes the spreadsheets of a clinic into the registry: it
// reads workbooks (.xlsx) and text files (.csv), binds a mapping to their
// headings, turns rows into records, and refuses what cannot be true with
// sheet, row, column, value and what would be right.
//
// A mapping is a TOML file. Its keys, all optional unless said otherwise:
//
//	name = "clinic sheets 2026"     # required; kept with each batch
//	centre = "north"                # required; code of the centre whose records these are
//	centre_name = "North Site"      # used when the centre is new
//
//	[file]                          # how cells are written; [[sheet]] may say otherwise
//	encoding = "windows-1252"       # utf-8, utf-16le, utf-16be, windows-1252; detected when absent
//	delimiter = ";"                 # , ; \t or |; detected when absent
//	decimal = ","                   # decimal sign in text cells; "." when absent
//	date = "day-first"              # iso, day-first, month-first, compact (20261124);
//	                                # when absent, a date that could be two days is refused
//	missing = ["n/a", "-"]          # cells that say nothing was recorded, beside empty ones
//
//	[constants]                     # the same for every row: field = text
//	"treatment.protocol" = "standard"
//
//	[[sheet]]                       # one or more
//	name = "Visits*"                # of the sheet (of a text file: its name without ending),
//	                                # * and ? allowed; the first sheet when absent
//	shape = "visit"                 # required: visit        one eye and one visit a row
//	                                #           eye          one eye a row, visits side by side
//	                                #           patient      both eyes side by side
//	                                #           measurement  one measurement a row
//	optional = true                 # the sheet may be missing
//	skip_rows = 1                   # rows above the headings
//	header_rows = 2                 # 1 when absent; a column under two headings is "Upper / Lower"
//	ignore = ["Comment", "Staff*"]  # headings not taken; every other must be mapped
//	constants, decimal, date, missing   # as above, for this sheet
//
//	[sheet.only]                    # rows to take; the others are passed over
//	"Site" = ["N", "North"]
//
//	[sheet.days]                    # days instead of dates count from here
//	from = "treatment"              # the treatment of the eye, or a day: "2020-01-01"
//	before = true                   # negative days are allowed (visits before treatment)
//
//	[sheet.treatment]               # the sheet has no treatments of its own:
//	on = "day 0"                    # each of its eyes was treated on the anchor day
//
//	[sheet.visits.m3]               # what is known of a visit named beside columns
//	days = 90                       # its day, where no column gives it
//	stage = "follow-up"             # refused if before the first treatment
//
//	[sheet.columns]                 # heading = field, or a table with options;
//	"Patient" = "patient.code"      # "@F" names a column by its letters
//	"Visus" = { field = "visit.cdva", notation = "decimal" }
//	"OD Kmax 3m" = { field = "visit.kmax", unit = "mm", side = "OD", visit = "m3" }
//
//	[sheet.measurements]            # shape measurement: what the names stand for
//	"K max" = "visit.kmax"
//
// The options of a column:
//
//	field      what the column gives; see Fields
//	unit       as the field allows: D or mm, µm or mm, s or min, % or share
//	notation   of an acuity, required: fraction (6/12, 20/40), decimal, logmar,
//	           letters, snellen-m (12 for 6/12), snellen-ft (40 for 20/40)
//	date, decimal, missing   as in [file], for this column
//	side       OD or OS, in shape patient; a column without serves both eyes
//	visit      name of the visit that the column belongs to, in shapes eye and patient;
//	           also tells complications and surgeries apart that stand side by side
//	zone       of a demarcation ("central"), or order of a zone of a treatment ("1")
//	words      translations, in any case: { "0" = "OD", "1" = "OS" }; to "" means not recorded
//	fill_down  an empty cell says the same as the one above
//
// Rows give what they give: several rows and sheets may add to one record.
// Two rows that give different values for the same field of the same record
// contradict each other, and the second is refused. A value that differs from
// what the registry holds changes it, with a trace; an empty cell changes
// nothing. A row is taken whole or refused whole.
package intake
