"""One module a subcommand: parse, call, report, exit status."""
