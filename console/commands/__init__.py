"""The shell's commands, one small module each, listed in `console.cli.COMMANDS`.

A module's `add(subparsers)` defines its parser, with an example in the epilog, and sets `run`, a
function of the parsed arguments that returns the exit code. What is heavy is imported inside `run`,
so that help is quick and `sexton stop` starts at once.
"""
