"""The report of a job: for the next technician, and one page for the customer; as PDF and as a page."""
