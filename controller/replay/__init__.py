"""Recorded readings through the gate once more: is every decision what the record says it was?"""
