"""What people see: the front door `leeway` and the Streamlit pages over the published tables."""
