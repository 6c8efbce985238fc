"""Invented input of patient records for the tests: HL7 v2 messages and FHIR resources."""
