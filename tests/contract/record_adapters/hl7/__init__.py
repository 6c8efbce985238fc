"""The HL7 v2 adapter, against a stand-in record over real MLLP."""
