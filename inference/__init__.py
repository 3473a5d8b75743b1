"""The command line, lanes into files, reports and pictures."""
