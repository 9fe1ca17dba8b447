"""Seeded bad input against every reader of input; ``ALL`` is the visible list of its kinds."""

from tests.fuzz import answers, commands, files, payloads

ALL = (*payloads.KINDS, *files.KINDS, *answers.KINDS, *commands.KINDS)
