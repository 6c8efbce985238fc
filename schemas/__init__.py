"""Every contract of gomphosis: facts, conclusions, and the group's own rules as data.

Importable by all, importing nobody.
"""
