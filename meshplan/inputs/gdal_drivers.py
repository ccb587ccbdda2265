"""Which GDAL drivers may open a user's file. All others are off: many follow addresses, or read files that another file names.

Notes
-----
Three walls, because no single one stands everywhere: before a file is opened its content must be what its suffix says
(`file_content`); rasters are opened with the drivers of their suffix alone (`rasterio.open(driver=…)`); and the command line
starts GDAL without all other drivers (`GDAL_SKIP`), so that a file beside, such as an overview, cannot call them either.
Every driver that the wheels of rasterio and pyogrio carry stands in one of the lists here; `tests/hostile/test_drivers.py`
fails when a new GDAL brings one that does not.
"""

from __future__ import annotations

import os
from typing import Final

ELEVATION_DRIVERS: Final[dict[str, tuple[str, ...]]] = {
    ".tif": ("GTiff",),
    ".tiff": ("GTiff",),
    ".asc": ("AAIGrid", "GRASSASCIIGrid"),
    ".grd": ("GSAG", "GSBG", "GS7BG"),
    ".sdat": ("SAGA",),
    ".img": ("HFA", "ENVI", "EHdr"),
    ".hgt": ("SRTMHGT",),
    ".dem": ("USGSDEM", "EHdr"),
    ".bil": ("EHdr", "ENVI"),
    ".flt": ("EHdr",),
    ".xyz": ("XYZ",),
    ".txt": ("AAIGrid", "XYZ"),
    ".dt0": ("DTED",),
    ".dt1": ("DTED",),
    ".dt2": ("DTED",),
}
"""Which drivers may open a raster, by its suffix."""

SHAPE_DRIVERS: Final = ("ESRI Shapefile", "FlatGeobuf", "GML", "GPKG", "GPX", "GeoJSON", "KML", "LIBKML")
"""Drivers of the vector files that meshplan reads and writes."""

EXTRACT_DRIVER: Final = "OSM"
"""Reads OpenStreetMap extracts, and nothing but the file itself: no address, no other file (its configuration is ours, its scratch
file lies in a folder of its own). Only `osm_file` calls it, after the first bytes were looked at; a .gml or .kml that is an extract
in truth is refused, so that it never comes to it by another door."""

ALLOWED: Final = frozenset(
    {
        *SHAPE_DRIVERS,
        EXTRACT_DRIVER,
        *(name for names in ELEVATION_DRIVERS.values() for name in names),
        *("COG", "MEM", "Memory", "VRT"),
    }
)
"""COG is written; MEM and Memory hold arrays while they are warped; rasterio works out the size of a warped picture by a VRT in
memory. A VRT as a file, or named by one, is refused by its content."""

OFF: Final = (
    "ACE2", "ADBC", "ADRG", "AIG", "AIVector", "ARG", "AVCBin", "AVCE00", "AirSAR", "AmigoCloud", "BAG", "BIGGIF", "BLX", "BMP",
    "BSB", "BT", "BYN", "CALS", "CEOS", "COASP", "COSAR", "CPG", "CSV", "CSW", "CTG", "CTable2", "Carto", "DAAS", "DERIVED", "DGN",
    "DIMAP", "DIPEx", "DOQ1", "DOQ2", "DXF", "ECRGTOC", "EDIGEO", "EEDA", "EEDAI", "EIR", "ELAS", "ERS", "ESAT", "ESRIC",
    "ESRIJSON", "Elasticsearch", "FAST", "FIT", "GDALG", "GFF", "GIF", "GNMDatabase", "GNMFile", "GPSBabel", "GRIB", "GSC",
    "GTFS", "GTI", "GTX", "GXF", "GenBin", "GeoJSONSeq", "GeoRSS", "HDF5", "HDF5Image", "HF2", "HTTP", "ILWIS", "IRIS", "ISCE",
    "ISG", "ISIS2", "ISIS3", "Idrisi", "JAXAPALSAR", "JDEM", "JML", "JP2OpenJPEG", "JPEG", "JSONFG", "KMLSUPEROVERLAY", "KRO",
    "L1B", "LAN", "LIBERTIFF", "LCP", "LOSLAS", "LVBAG", "Leveller", "MAP", "MBTiles", "MFF", "MFF2", "MRF", "MSGN", "MVT",
    "MapInfo File", "MapML", "MiraMonRaster", "MiraMonVector", "NDF", "NGSGEOID", "NGW", "NITF", "NOAA_B", "NSIDCbin", "NTv2",
    "NWT_GRC", "NWT_GRD", "OAPIF", "ODS", "OGCAPI", "OGR_GMT", "OGR_PDS", "OGR_VRT", "OZI", "OpenFileGDB", "PAux",
    "PCIDSK", "PCRaster", "PDF", "PDS", "PDS4", "PGDUMP", "PLMOSAIC", "PLSCENES", "PMTiles", "PNG", "PNM", "PRF", "R", "RCM",
    "RIK", "RMF", "ROI_PAC", "RPFTOC", "RRASTER", "RS2", "RST", "Rasterlite", "S102", "S104", "S111", "S57", "SAFE", "SAR_CEOS",
    "SDTS", "SENTINEL2", "SGI", "SIGDEM", "SNAP_TIFF", "SNODAS", "SQLite", "SRP", "STACIT", "STACTA", "SXF", "Selafin", "TGA",
    "TIL", "TSX", "Terragen", "TopoJSON", "VDV", "VFK", "VICAR", "WAsP", "WCS", "WEBP", "WFS", "WMS", "WMTS", "XLSX", "XPM",
    "ZMap", "Zarr", "netCDF",
)  # fmt: skip
"""Drivers that are not loaded."""

_NOWHERE: Final = "socks5h://localhost/nonexistent/meshplan-makes-no-connection"
"""A proxy that is a local socket which does not exist: whatever would still ask for an address finds no way out of the machine."""


def close_doors() -> None:
    """Let GDAL and PROJ of this process load no other driver and reach no address; call it before they are imported."""
    before = os.environ.get("GDAL_SKIP", "")
    skipped = before.split(",") if "," in before else before.split()
    os.environ["GDAL_SKIP"] = ",".join(dict.fromkeys([*(name.strip() for name in skipped), *OFF]))
    os.environ.setdefault("CPL_LOG", os.devnull)  # each library has but a part of the drivers, and would say so on stderr
    os.environ.update(
        PROJ_NETWORK="OFF",
        GDAL_HTTP_PROXY=_NOWHERE,
        GDAL_HTTP_MAX_RETRY="0",
        CPL_VSIL_CURL_ALLOWED_FILENAME="none",
        GML_DOWNLOAD_SCHEMA="NO",
        GML_SKIP_RESOLVE_ELEMS="ALL",
        LIBKML_EXTERNAL_STYLE="NO",
    )
