"""Pure functions from published frames to what a screen says; no streamlit here."""
