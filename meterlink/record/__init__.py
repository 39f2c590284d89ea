"""The record: what a job took in and what it announced, kept append-only in one SQLite file."""
