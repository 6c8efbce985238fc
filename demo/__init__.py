"""An invented hospital group and a day of its work. Every name, number and image is made up."""
