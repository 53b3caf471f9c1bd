"""What a job that ended well tells of a layout: what the maker's procedure wrote."""
