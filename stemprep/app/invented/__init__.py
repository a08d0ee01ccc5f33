"""The folders of the demo's invented people: what is dropped, and what the overdub room returns."""
