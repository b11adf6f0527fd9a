/* What the image is, in plain text, at its beginning: the program finds it there. */
#ifndef BB_BUILD
#error "the Makefile says which build it is"
#endif
__attribute__((section(".mark"), used)) static const char MARK[] =
    "Breakerbench firmware for boards with an RP2040, build " BB_BUILD;
