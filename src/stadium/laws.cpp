// The three laws by name, compiled once: headers say `extern template`.
#include "moltspan/stadium/gap.hpp"
#include "moltspan/stadium/term.hpp"

namespace moltspan {

template StadiumTerm stadium_term<NormalLaw>(const StadiumBounds&, double, double, Truncation);
template StadiumTerm stadium_term<GumbelMinLaw>(const StadiumBounds&, double, double, Truncation);
template StadiumTerm stadium_term<LogisticLaw>(const StadiumBounds&, double, double, Truncation);
template StadiumTerm entry_term<NormalLaw>(const StadiumBounds&, double, double);
template StadiumTerm entry_term<GumbelMinLaw>(const StadiumBounds&, double, double);
template StadiumTerm entry_term<LogisticLaw>(const StadiumBounds&, double, double);

template StadiumTerm hidden_term<NormalLaw>(const StadiumBounds&, double, double, double, const HiddenWeights&, double,
                                            Truncation);
template StadiumTerm hidden_term<GumbelMinLaw>(const StadiumBounds&, double, double, double, const HiddenWeights&, double,
                                               Truncation);
template StadiumTerm hidden_term<LogisticLaw>(const StadiumBounds&, double, double, double, const HiddenWeights&, double,
                                              Truncation);

}  // namespace moltspan
