"""The record for other programs: tables as CSV and workbooks, samples page by page for the interface."""
