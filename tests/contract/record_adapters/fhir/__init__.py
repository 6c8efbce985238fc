"""The FHIR adapter, against a stand-in server over real HTTP."""
