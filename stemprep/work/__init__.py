"""Job functions: one file in, one record out; run in any process by the engine."""
