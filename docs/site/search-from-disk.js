// A page that was opened from disk may not read other pages: the search then lists its results without extracts.
if (window.location.protocol === "file:") DOCUMENTATION_OPTIONS.SHOW_SEARCH_SUMMARY = false;
