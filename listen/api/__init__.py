"""The functions behind the commands: check, calibrate, compare, excerpt, set up, many takes."""
