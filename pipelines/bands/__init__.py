"""What each vehicle should read now: panel, noise, centre, season."""
