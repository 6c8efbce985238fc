"""What a thief, a trickster or a careless browser can do with a session: walked over every route.

OWASP Session Management, Cross-Site Request Forgery Prevention and Clickjacking Defense cheat
sheets (from memory) name the attacks; the answers are the console's own.
"""
