#include <boost/math/distributions/students_t.hpp>
#include <cstdio>
#include <moltspan/law.hpp>
#include <moltspan/next_molt.hpp>

struct Student {  // four degrees of freedom, on the log scale of lengths
  template <typename Number>
  static Number log_density(const Number& z) {
    using std::log1p;
    return std::log(0.375) - 2.5 * log1p(z * z / 4.0);
  }
  static double log_cdf(double z) { return std::log(boost::math::cdf(boost::math::students_t(4), z)); }
  static double log_survival(double z) { return log_cdf(-z); }
};
using StudentLaw = moltspan::AutoLaw<Student>;

int main() {
  const double open = std::nan("");
  const moltspan::LengthFit<StudentLaw> fit({
      // min, max, range of the start, age when met, range of the end (days); leg span; animal. Invented records.
      {{41, 41}, 12, 0},           // seen to the day
      {{38, 47}, 14, 0},           // ended in a range of days
      {{44, 62, 7, 0, 11}, 18, 0}, // began in a week and ended in eleven days
      {{0, 70}, 22, 0},            // had ended when it was looked for
      {{55, 68, 0, 20}, 20, 1},    // met part-way
      {{130, 130}, 25, 1},         // an odd one
      {{35, open}, 30, 0},         // the current stadium
  });
  const Eigen::VectorXd probabilities{{0.1, 0.5, 0.9}}, days = fit.quantiles_days(6, probabilities);
  std::printf("sigma %.17g\nmolts after %.17g days, 8 in 10: %.17g to %.17g\n", fit.sigma(), days[1], days[0], days[2]);
}
