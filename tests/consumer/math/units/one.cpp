#include <moltspan/moltspan.hpp>

int other_unit();

int main() { return other_unit(); }
