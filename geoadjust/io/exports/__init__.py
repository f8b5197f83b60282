"""Files made from an output set for other programs: spreadsheet, stake-out points, GeoJSON, DXF."""
