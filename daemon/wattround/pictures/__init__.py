"""Pictures in one ink, as SVG that stands in a page: of plain values, for reports, letters and the local page alike."""
