#include <algorithm>
#include <array>

#include "records/words.hpp"

/// Words that people write where an event is due, and what they mostly mean. None of them is taken for an event: each
/// is only offered. From reading how keepers write: common practice, no source.
namespace moltspan {
namespace {

using Meaning = std::pair<std::string_view, std::string_view>;

constexpr std::string_view signs = "write the sign that was seen: darkened, refused, sealed_in, sluggish or molt_mat";
constexpr std::string_view lost = "write 'escaped' if it got out, 'limb_lost' if it lost a leg, 'left' if it was given";
constexpr std::string_view size = "say what was measured: leg_span, body_length, carapace_length or carapace_width";
constexpr std::string_view coming =
    "a day of coming or hatching is no event: it goes into acquired or hatched of animals.csv";
constexpr std::string_view nothing = "write 'checked' if it was seen and had not molted; the rest belongs into note";
constexpr std::string_view fed = "write 'ate' if it was seen to eat, 'refused' if not, 'fed' if nobody looked";

/// Folded words (see `fold`) and our event, or a sentence where there is no single one.
constexpr std::array meanings = std::to_array<Meaning>({
    {"shedded", "molt"},
    {"sheds", "molt"},
    {"hasshed", "molt"},
    {"shedding", "molt"},
    {"molts", "molt"},
    {"molten", "molt"},
    {"ecdysis", "molt"},
    {"slough", "molt"},
    {"sloughed", "molt"},
    {"ultimatemolt", "write 'matured'; the molt itself is a row of its own, 'molt'"},
    {"skin", "skin_found"},
    {"shedskin", "skin_found"},
    {"oldskin", "skin_found"},
    {"newskin", "skin_found"},
    {"moltfound", "skin_found"},
    {"exuvia", "skin_found"},
    {"exuvium", "skin_found"},
    {"exuviae", "skin_found"},
    {"onitsback", "on_back"},
    {"onherback", "on_back"},
    {"onhisback", "on_back"},
    {"back", "on_back"},
    {"flipped", "on_back"},
    {"upsidedown", "on_back"},
    {"eat", "ate"},
    {"eats", "ate"},
    {"eating", "ate"},
    {"meal", "ate"},
    {"killed", "ate"},
    {"food", fed},
    {"feed", fed},
    {"feeds", fed},
    {"feeding", fed},
    {"offered", fed},
    {"prey", fed},
    {"cricket", fed},
    {"roach", fed},
    {"refuse", "refused"},
    {"refuses", "refused"},
    {"refusing", "refused"},
    {"rejected", "refused"},
    {"declined", "refused"},
    {"ignored", "refused"},
    {"fasting", "refused"},
    {"fasted", "refused"},
    {"fast", "refused"},
    {"noteating", "refused"},
    {"didnoteat", "refused"},
    {"didn'teat", "refused"},
    {"wonteat", "refused"},
    {"won'teat", "refused"},
    {"nofood", "refused"},
    {"offfood", "refused"},
    {"premolt", signs},
    {"inpremolt", signs},
    {"sign", signs},
    {"signs", signs},
    {"fat", signs},
    {"plump", signs},
    {"baldspot", "darkened"},
    {"bald", "darkened"},
    {"shiny", "darkened"},
    {"darkening", "darkened"},
    {"black", "write 'darkened' for the abdomen, 'fangs_black' for the fangs"},
    {"webbed", "sealed_in"},
    {"burrowclosed", "sealed_in"},
    {"closed", "sealed_in"},
    {"plugged", "sealed_in"},
    {"blocked", "sealed_in"},
    {"barricaded", "sealed_in"},
    {"hiding", "sealed_in"},
    {"lazy", "sluggish"},
    {"slow", "sluggish"},
    {"lethargic", "sluggish"},
    {"mat", "molt_mat"},
    {"webmat", "molt_mat"},
    {"hard", "fangs_black"},
    {"hardened", "fangs_black"},
    {"fangs", "fangs_black"},
    {"ok", nothing},
    {"fine", nothing},
    {"alive", nothing},
    {"nothing", nothing},
    {"nochange", nothing},
    {"nomolt", nothing},
    {"notmolted", nothing},
    {"saw", nothing},
    {"look", nothing},
    {"looked", nothing},
    {"inspected", nothing},
    {"water", nothing},
    {"watered", nothing},
    {"misted", nothing},
    {"cleaned", nothing},
    {"note", nothing},
    {"photo", nothing},
    {"dls", "leg_span"},
    {"span", "leg_span"},
    {"bl", "body_length"},
    {"cl", "carapace_length"},
    {"cw", "carapace_width"},
    {"size", size},
    {"length", size},
    {"carapace", size},
    {"measured", size},
    {"measurement", size},
    {"weigh", "mass"},
    {"weighed", "mass"},
    {"weighs", "mass"},
    {"grams", "mass"},
    {"rehouse", "enclosure"},
    {"rehoused", "enclosure"},
    {"rehousing", "enclosure"},
    {"newhome", "enclosure"},
    {"newbox", "enclosure"},
    {"moved", "enclosure"},
    {"transfer", "enclosure"},
    {"transferred", "enclosure"},
    {"box", "enclosure"},
    {"cage", "enclosure"},
    {"tank", "enclosure"},
    {"terrarium", "enclosure"},
    {"moldy", "write 'unfit' with the value mold"},
    {"mold", "write 'unfit' with the value mold"},
    {"mites", "write 'unfit' with the value pests"},
    {"temp", "temperature"},
    {"heat", "temperature"},
    {"sexed", "sex"},
    {"female", "write 'sex' with the value female"},
    {"male", "write 'sex' with the value male"},
    {"mm", "matured"},
    {"mf", "matured"},
    {"maturemale", "matured"},
    {"maturefemale", "matured"},
    {"adult", "matured"},
    {"hooked", "matured"},
    {"lostleg", "limb_lost"},
    {"leglost", "limb_lost"},
    {"legoff", "limb_lost"},
    {"autotomy", "limb_lost"},
    {"egg", "egg_sac"},
    {"eggs", "egg_sac"},
    {"laid", "egg_sac"},
    {"ootheca", "egg_sac"},
    {"paired", "mated"},
    {"pairing", "mated"},
    {"bred", "mated"},
    {"mating", "mated"},
    {"breeding", "mated"},
    {"death", "died"},
    {"dies", "died"},
    {"deceased", "died"},
    {"doa", "died"},
    {"rip", "died"},
    {"passed", "died"},
    {"passedaway", "died"},
    {"body", "died"},
    {"gave", "left"},
    {"gaveaway", "left"},
    {"traded", "left"},
    {"swapped", "left"},
    {"gone", lost},
    {"lost", lost},
    {"missing", lost},
    {"escape", "escaped"},
    {"loose", "escaped"},
    {"bought", coming},
    {"acquired", coming},
    {"arrived", coming},
    {"received", coming},
    {"new", coming},
    {"hatched", coming},
    {"born", coming},
});

constexpr std::array<std::string_view, 9> denials = {"no",      "not",     "never", "didnt", "didn't",
                                                     "without", "nothing", "won't", "wont"};

std::string offered(std::string_view meaning) {
  if (meaning.find(' ') != std::string_view::npos) return std::string(meaning);
  return "write " + in_quotes(meaning) + " if that is meant";
}

/// What a folded word means, blank where it is not in the table and no event.
std::string_view meaning_of(const std::string& folded) {
  if (const auto event = find_event(folded)) return event_name(*event);
  const auto found =
      std::find_if(meanings.begin(), meanings.end(), [&](const Meaning& one) { return one.first == folded; });
  return found == meanings.end() ? std::string_view{} : found->second;
}

/// What is meant by a slip of the pen: a changed letter in a short word, two in one of eight letters or more.
std::string_view meaning_of_slip(const std::string& folded) {
  const std::size_t allowed = folded.size() < 4 ? 0 : folded.size() < 8 ? 1 : 2;
  for (std::size_t distance = 1; distance <= allowed; ++distance) {
    for (const std::string_view event : event_names())
      if (edit_distance(folded, fold(event)) == distance) return event;
    for (const auto& [word, meaning] : meanings)
      if (edit_distance(folded, word) == distance) return meaning;
  }
  return {};
}

std::vector<std::string> words_of(std::string_view text) {
  constexpr std::string_view between = " \t-_,;:.!?/()";
  std::vector<std::string> words;
  while (true) {
    const std::size_t begin = text.find_first_not_of(between);
    if (begin == std::string_view::npos) return words;
    text.remove_prefix(begin);
    const std::size_t end = std::min(text.find_first_of(between), text.size());
    words.push_back(fold(text.substr(0, end)));
    text.remove_prefix(end);
  }
}

/// The meaning of a phrase by its words, from the first on; none where it denies, as "did not eat" is no meal.
std::string_view meaning_of_phrase(std::string_view text) {
  const std::vector<std::string> words = words_of(text);
  const auto denies = [](const std::string& word) {
    return std::find(denials.begin(), denials.end(), word) != denials.end();
  };
  if (std::any_of(words.begin(), words.end(), denies)) return {};
  for (const std::string& word : words)
    if (const auto meaning = meaning_of(word); !meaning.empty()) return meaning;
  for (const std::string& word : words)
    if (const auto meaning = meaning_of_slip(word); !meaning.empty()) return meaning;
  return {};
}

std::string all_events() {
  std::string list;
  for (const std::string_view event : event_names()) list.append(list.empty() ? "the events are " : ", ").append(event);
  return list;
}

}  // namespace

std::string event_advice(std::string_view word) {
  const std::string_view start = word.substr(0, 60);
  const std::string folded = fold(start);
  for (const std::string_view meaning : {meaning_of(folded), meaning_of_slip(folded), meaning_of_phrase(start)})
    if (!meaning.empty()) return offered(meaning);
  return all_events();
}

}  // namespace moltspan
