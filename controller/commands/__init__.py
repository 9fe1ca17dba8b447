"""The commands: one module each, named in ``controller.cli.COMMANDS``.

A command parses, calls and prints; it holds no logic of its own.
"""
