"""Thin Streamlit pages: ask, build, show."""
