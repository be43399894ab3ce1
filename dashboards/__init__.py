"""The Streamlit dashboard: pages that ask the judgements and draw the answers."""
