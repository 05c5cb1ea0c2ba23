"""Looking beyond one sheet: a fault along its sizes, coverage, and how right the answers are."""
