# Holds what an image measured against limits, row by row in the limits' order, and prints all.
# Arguments: the limits, the image's console; variable: a file that what was measured and three per cent is appended
# to, in the form of the limits. Exit code 1 when a row is beyond its limit or has none, or a limit has no row.

function note(row, mean_, worst_, number_) {
    if (!(row in worst)) rows[++row_count] = row
    mean[row] = mean_
    number[row] = number_
    if (!(row in worst) || worst_ > worst[row]) worst[row] = worst_
}

function is_beyond(value, most) { return most != "-" && value > most + 0 }

# Answers are counted, so that even one more is too many.
function raised(row, value) { return value == "-" || row ~ /_answers$/ ? value : int(value * 1.03) }

function show(row,    l, goal, verdict) {
    split(row in limit ? limit[row] : "- - - -", l, " ")
    goal = l[3] l[4] == "--" ? "" : l[3] " / " l[4]
    verdict = goal == "" ? "" : is_beyond(mean[row], l[3]) || is_beyond(worst[row], l[4]) ? "short of the goal" : "goal met"
    if (!(row in limit)) verdict = "HAS NO LIMIT"
    if (is_beyond(mean[row], l[1]) || is_beyond(worst[row], l[2])) verdict = "BEYOND ITS LIMIT"
    if (verdict ~ /LIMIT/) failed = 1
    printf form, row, number[row], mean[row], worst[row], l[1], l[2], goal, verdict
    printf "%-41s %8s %8s %8s %8s\n", row, raised(row, mean[row]), raised(row, worst[row]), l[3], l[4] >>proposed
}

BEGIN { form = "%-41s %6s %8s %8s %8s %8s %14s  %s\n" }

FNR == NR {
    if (NF == 5 && !/^#/) {
        limit[$1] = $2 " " $3 " " $4 " " $5
        order[++limits] = $1
    }
    next
}

# measured SERIES OUTCOME selections NUMBER mean MEAN worst WORST in number .. stack BYTES
$1 == "measured" && $4 == "selections" && $5 > 0 {
    note($2 "_" $3, $7, $9, $5)
    note(substr($2, 1, index($2, "_")) "stack_bytes", "-", $14, "")
}

# measured FLIGHT quiet|selecting cycles NUMBER mean MEAN worst WORST in number .. stack BYTES
$1 == "measured" && $4 == "cycles" && $5 > 0 {
    note($2 "_" $3, $7, $9, $5)
    note(($2 ~ /^[0-9]+_jets_/ ? substr($2, 1, index($2, "jets_") + 4) : "") "stack_bytes", "-", $14, "")
}

# measured WHAT WAY calls NUMBER mean MEAN worst WORST in number .. stack BYTES
$1 == "measured" && $4 == "calls" && $5 > 0 { note($2 "_" $3, $7, $9, $5) }

# measured WHAT UNIT NUMBER
$1 == "measured" && NF == 4 { note($2 "_" $3, "-", $4, "") }

END {
    printf form, "", "", "measured", "", "limit", "", "goal", ""
    printf form, "row", "number", "mean", "worst", "mean", "worst", "mean / worst", ""
    for (i = 1; i <= limits; i++) {
        if (order[i] in worst) {
            show(order[i])
        } else {
            printf form, order[i], "", "", "", "", "", "", "WAS NOT MEASURED: take it out of the limits?"
            failed = 1
        }
    }
    for (i = 1; i <= row_count; i++) if (!(rows[i] in limit)) show(rows[i])
    exit failed
}
