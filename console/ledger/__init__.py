"""The durable record of everything that happened, in one SQLite file.

`Ledger` (ledger.py) appends entries.py, one transaction at a time; `LedgerWriter` (writer.py) does
it on a thread of its own with group commit; `Reader` (reader.py) looks things up, inside or outside
the engine, and never blocks either.
"""
