"""airwatch: a fleet's air brakes, measured from ordinary bus data. See README.md and DEVELOPERS.md."""
