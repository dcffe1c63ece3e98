"""What only tests and benches need: references told the law, and formulas to check against."""
