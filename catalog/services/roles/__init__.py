"""Roles that are learned from the library: answers, doubts, questions, explanations."""
