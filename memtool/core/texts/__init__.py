"""What tells one vehicle from another: VINs, the forms they are stored in, how they are found."""
