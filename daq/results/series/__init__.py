"""The columns of a run over time: replayed from the recording, aligned, kept as Parquet."""
