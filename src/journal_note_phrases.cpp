#include <algorithm>
#include <array>

#include "journal_note.hpp"

/// What keepers say for an event. Common practice, no source: from the way in which keepers write. A phrase that could
/// mean two things is not here; `event_advice` offers what such a word mostly means.
namespace moltspan {
namespace {

/// Folded words without blanks and articles.
struct Phrase {
  std::string_view words;
  Part part = Part::event;
  Event event = Event::checked;
  std::string_view value;
};

constexpr Phrase event(std::string_view words, Event what) { return {words, Part::event, what, {}}; }
constexpr Phrase valued(std::string_view words, Event what, std::string_view value) {
  return {words, Part::value, what, value};
}
constexpr Phrase special(std::string_view words, Part part) { return {words, part, Event::checked, {}}; }

constexpr auto molts = std::to_array<Phrase>({
    event("molts", Event::molt),
    event("shedded", Event::molt),
    event("shedskin", Event::molt),
    event("sheditsskin", Event::molt),
    event("molted", Event::molt),
    event("hadmolt", Event::molt),
    event("didmolt", Event::molt),
    event("wentthroughmolt", Event::molt),
    event("foundmolted", Event::molt),
    event("donemolting", Event::molt),
    event("finishedmolting", Event::molt),
    event("completedmolt", Event::molt),
    event("molting", Event::on_back),
    event("ismolting", Event::on_back),
    event("startedmolting", Event::on_back),
    event("startedmolt", Event::on_back),
    event("flipped", Event::on_back),
    event("flippedover", Event::on_back),
    event("flippedonback", Event::on_back),
    event("flippedonitsback", Event::on_back),
    event("onback", Event::on_back),
    event("lyingonback", Event::on_back),
    event("layingonback", Event::on_back),
    event("foundmolt", Event::skin_found),
    event("foundskin", Event::skin_found),
    event("foundshed", Event::skin_found),
    event("foundshedskin", Event::skin_found),
    event("foundoldskin", Event::skin_found),
    event("foundfreshmolt", Event::skin_found),
    event("foundfreshskin", Event::skin_found),
    event("foundnewskin", Event::skin_found),
    event("foundexuvia", Event::skin_found),
    event("foundexuvium", Event::skin_found),
    event("foundexuviae", Event::skin_found),
    event("moltfound", Event::skin_found),
    event("skinfound", Event::skin_found),
    event("exuviumfound", Event::skin_found),
    event("therewasmolt", Event::skin_found),
    event("therewasskin", Event::skin_found),
    event("moltin", Event::skin_found),
    event("skinin", Event::skin_found),
    event("exuviain", Event::skin_found),
    event("shedin", Event::skin_found),
    event("pulledmolt", Event::skin_found),
    event("pulledskin", Event::skin_found),
    event("removedmolt", Event::skin_found),
    event("removedskin", Event::skin_found),
    event("maturemolt", Event::matured),
    event("matured", Event::matured),
    event("maturedout", Event::matured),
    event("hookedout", Event::matured),
    event("mature", Event::matured),
    event("isadult", Event::matured),
});

constexpr auto meals = std::to_array<Phrase>({
    event("ateagain", Event::ate),
    event("atewell", Event::ate),
    event("eats", Event::ate),
    event("eating", Event::ate),
    event("accepted", Event::ate),
    event("acceptedfood", Event::ate),
    event("tookfood", Event::ate),
    event("took", Event::ate),
    event("tookdown", Event::ate),
    event("grabbed", Event::ate),
    event("devoured", Event::ate),
    event("offered", Event::fed),
    event("offeredfood", Event::fed),
    event("feeding", Event::fed),
    event("feed", Event::fed),
    event("gavefood", Event::fed),
    event("refusedfood", Event::refused),
    event("refuses", Event::refused),
    event("refusing", Event::refused),
    event("refusesfood", Event::refused),
    event("rejected", Event::refused),
    event("declined", Event::refused),
    event("ignored", Event::refused),
    event("ignores", Event::refused),
    event("ignoring", Event::refused),
    event("turneddown", Event::refused),
    event("didnteat", Event::refused),
    event("didnoteat", Event::refused),
    event("didnttake", Event::refused),
    event("doesnteat", Event::refused),
    event("wonteat", Event::refused),
    event("wouldnteat", Event::refused),
    event("noteating", Event::refused),
    event("stillnoteating", Event::refused),
    event("stoppedeating", Event::refused),
    event("atenothing", Event::refused),
    event("nointerest", Event::refused),
    event("nointerestin", Event::refused),
    event("notinterestedin", Event::refused),
    event("offfood", Event::refused),
    event("fasting", Event::refused),
    event("nothungry", Event::refused),
});

constexpr auto signs = std::to_array<Phrase>({
    event("dark", Event::darkened),
    event("darker", Event::darkened),
    event("gettingdark", Event::darkened),
    event("darkening", Event::darkened),
    event("darkabdomen", Event::darkened),
    event("abdomendark", Event::darkened),
    event("abdomendarkened", Event::darkened),
    event("abdomengettingdark", Event::darkened),
    event("abdomenblack", Event::darkened),
    event("blackabdomen", Event::darkened),
    event("darkbutt", Event::darkened),
    event("baldspotdark", Event::darkened),
    event("baldspotdarkened", Event::darkened),
    event("darkbaldspot", Event::darkened),
    event("sealeditselfin", Event::sealed_in),
    event("sealedherselfin", Event::sealed_in),
    event("sealedhimselfin", Event::sealed_in),
    event("sealedburrow", Event::sealed_in),
    event("closedburrow", Event::sealed_in),
    event("burrowclosed", Event::sealed_in),
    event("burrowsealed", Event::sealed_in),
    event("pluggedburrow", Event::sealed_in),
    event("burrowplugged", Event::sealed_in),
    event("blockedburrow", Event::sealed_in),
    event("blockedentrance", Event::sealed_in),
    event("webbedin", Event::sealed_in),
    event("webbeditselfin", Event::sealed_in),
    event("webbedherselfin", Event::sealed_in),
    event("webbedshut", Event::sealed_in),
    event("hidewebbedshut", Event::sealed_in),
    event("burrowwebbedshut", Event::sealed_in),
    event("barricadedin", Event::sealed_in),
    event("lethargic", Event::sluggish),
    event("lazy", Event::sluggish),
    event("slowmoving", Event::sluggish),
    event("mat", Event::molt_mat),
    event("webbingmat", Event::molt_mat),
    event("layingmat", Event::molt_mat),
    event("layingdownmat", Event::molt_mat),
    event("layingmoltmat", Event::molt_mat),
    event("mademoltmat", Event::molt_mat),
    event("madematofweb", Event::molt_mat),
    event("spinningmoltmat", Event::molt_mat),
    event("laidmoltmat", Event::molt_mat),
    event("laidmat", Event::molt_mat),
    event("webbedmoltmat", Event::molt_mat),
    event("fangsblack", Event::fangs_black),
    event("fangsblackagain", Event::fangs_black),
    event("fangshardened", Event::fangs_black),
    event("fangshard", Event::fangs_black),
    special("premolt", Part::premolt),
    special("inpremolt", Part::premolt),
    special("preparingtomolt", Part::premolt),
});

constexpr auto others = std::to_array<Phrase>({
    event("dls", Event::leg_span),
    event("ls", Event::leg_span),
    event("span", Event::leg_span),
    event("legspan", Event::leg_span),
    event("diagonallegspan", Event::leg_span),
    event("bl", Event::body_length),
    event("bodylength", Event::body_length),
    event("body", Event::body_length),
    event("cl", Event::carapace_length),
    event("cw", Event::carapace_width),
    event("weighs", Event::mass),
    event("weighed", Event::mass),
    event("weighedin", Event::mass),
    event("weight", Event::mass),
    event("temp", Event::temperature),
    event("temps", Event::temperature),
    event("keptat", Event::temperature),
    event("rehouse", Event::enclosure),
    event("rehoused", Event::enclosure),
    event("rehoming", Event::enclosure),
    event("movedto", Event::enclosure),
    event("movedinto", Event::enclosure),
    event("moved", Event::enclosure),
    event("upgradedto", Event::enclosure),
    event("transferredto", Event::enclosure),
    event("transferred", Event::enclosure),
    event("newenclosure", Event::enclosure),
    event("newbox", Event::enclosure),
    event("newhome", Event::enclosure),
    event("newtank", Event::enclosure),
    event("newterrarium", Event::enclosure),
    event("sexed", Event::sex),
    event("sexedas", Event::sex),
    event("confirmed", Event::sex),
    event("turnedout", Event::sex),
    event("turnedouttobe", Event::sex),
    event("lostleg", Event::limb_lost),
    event("leglost", Event::limb_lost),
    event("lostlimb", Event::limb_lost),
    event("droppedleg", Event::limb_lost),
    event("missingleg", Event::limb_lost),
    event("threwleg", Event::limb_lost),
    event("sac", Event::egg_sac),
    event("eggsac", Event::egg_sac),
    event("laideggs", Event::egg_sac),
    event("laideggsac", Event::egg_sac),
    event("laidsac", Event::egg_sac),
    event("madeeggsac", Event::egg_sac),
    event("madesac", Event::egg_sac),
    event("droppedsac", Event::egg_sac),
    event("droppedeggsac", Event::egg_sac),
    event("spunsac", Event::egg_sac),
    event("producedegssac", Event::egg_sac),
    event("producedeggsac", Event::egg_sac),
    event("laidootheca", Event::egg_sac),
    event("ootheca", Event::egg_sac),
    event("paired", Event::mated),
    event("pairing", Event::mated),
    event("bred", Event::mated),
    event("copulated", Event::mated),
    event("passedaway", Event::died),
    event("founddead", Event::died),
    event("rip", Event::died),
    event("deceased", Event::died),
    event("traded", Event::left),
    event("gaveaway", Event::left),
    event("swapped", Event::left),
    event("gotout", Event::escaped),
    event("gotaway", Event::escaped),
    event("brokeout", Event::escaped),
    event("escape", Event::escaped),
    event("notmolted", Event::checked),
    event("hasntmolted", Event::checked),
    event("notmoltedyet", Event::checked),
    event("hasntmoltedyet", Event::checked),
    event("nomolt", Event::checked),
    event("nomoltyet", Event::checked),
    event("nomolts", Event::checked),
    event("nonewmolt", Event::checked),
    event("stillnomolt", Event::checked),
    event("nochange", Event::checked),
    event("nochanges", Event::checked),
    event("nothingnew", Event::checked),
    event("inspected", Event::checked),
    event("lookedat", Event::checked),
    event("sawoutside", Event::checked),
});

constexpr auto values = std::to_array<Phrase>({
    valued("female", Event::sex, "female"),
    valued("females", Event::sex, "female"),
    valued("girl", Event::sex, "female"),
    valued("male", Event::sex, "male"),
    valued("boy", Event::sex, "male"),
    valued("probablyfemale", Event::sex, "probable female"),
    valued("probablefemale", Event::sex, "probable female"),
    valued("likelyfemale", Event::sex, "probable female"),
    valued("probablymale", Event::sex, "probable male"),
    valued("probablemale", Event::sex, "probable male"),
    valued("likelymale", Event::sex, "probable male"),
    valued("mold", Event::unfit, "mold"),
    valued("moldy", Event::unfit, "mold"),
    valued("mouldy", Event::unfit, "mold"),
    valued("mites", Event::unfit, "pests"),
    valued("pests", Event::unfit, "pests"),
    valued("wet", Event::unfit, "wet"),
    valued("toowet", Event::unfit, "wet"),
    valued("soaked", Event::unfit, "wet"),
    valued("flooded", Event::unfit, "wet"),
    valued("staleair", Event::unfit, "stale_air"),
    valued("lidbroken", Event::unfit, "broken"),
    valued("brokenlid", Event::unfit, "broken"),
    valued("cracked", Event::unfit, "broken"),
    valued("broken", Event::unfit, "broken"),
    valued("arboreal", Event::habit, "arboreal"),
    valued("semiarboreal", Event::habit, "semi_arboreal"),
    valued("terrestrial", Event::habit, "terrestrial"),
    valued("fossorial", Event::habit, "fossorial"),
});

constexpr auto specials = std::to_array<Phrase>({
    special("all", Part::all),
    special("everyone", Part::all),
    special("everybody", Part::all),
    special("allofthem", Part::all),
    special("allspiders", Part::all),
    special("allanimals", Part::all),
    special("allothers", Part::rest),
    special("others", Part::rest),
    special("rest", Part::rest),
    special("everyoneelse", Part::rest),
    special("but", Part::except),
    special("butnot", Part::except),
    special("except", Part::except),
    special("exceptfor", Part::except),
    special("apartfrom", Part::except),
    special("otherthan", Part::except),
    special("minus", Part::except),
    special("skin", Part::skin),
    special("onskin", Part::skin),
    special("ofskin", Part::skin),
    special("exuvia", Part::skin),
    special("onexuvia", Part::skin),
    special("exuvium", Part::skin),
    special("onanimal", Part::animal_itself),
    special("animalitself", Part::animal_itself),
    special("too", Part::too),
    special("aswell", Part::too),
    special("also", Part::too),
    special("with", Part::with),
    special("found", Part::found),
    special("and", Part::filler),
    special("then", Part::filler),
    special("now", Part::filler),
    special("just", Part::filler),
    special("finally", Part::filler),
    special("already", Part::filler),
    special("again", Part::filler),
    special("in", Part::filler),
    special("into", Part::filler),
    special("to", Part::filler),
    special("on", Part::filler),
    special("at", Part::filler),
    special("of", Part::filler),
    special("for", Part::filler),
    special("from", Part::filler),
    special("as", Part::filler),
    special("box", Part::filler),
    special("tank", Part::filler),
    special("terrarium", Part::filler),
    special("sometime", Part::filler),
    special("both", Part::filler),
    special("about", Part::filler),
    special("approx", Part::filler),
    special("approximately", Part::filler),
    special("ca", Part::filler),
    special("measures", Part::filler),
    special("measured", Part::filler),
    special("size", Part::filler),
    special("instar", Part::filler),
    special("there", Part::filler),
});

template <std::size_t n>
const Phrase* look_in(const std::array<Phrase, n>& table, std::string_view words) {
  const auto found = std::find_if(table.begin(), table.end(), [&](const Phrase& p) { return p.words == words; });
  return found == table.end() ? nullptr : &*found;
}

const Phrase* look_up(std::string_view words) {
  for (const Phrase* found : {look_in(molts, words), look_in(meals, words), look_in(signs, words),
                              look_in(others, words), look_in(values, words), look_in(specials, words)})
    if (found != nullptr) return found;
  return nullptr;
}

/// Two events in one phrase.
bool is_last_molt(std::string_view words) {
  return words == "ultimatemolt" || words == "finalmolt" || words == "moltedout" || words == "maturingmolt";
}

std::optional<NotePart> phrase_part(const NoteContext& context, std::string_view words) {
  NotePart part;
  if (is_last_molt(words)) {
    part.part = Part::event;
    part.event = Event::molt;
    part.also = {Event::matured};
    return part;
  }
  const auto known = context.events.find(words);  // the folder's own words too
  const Phrase* phrase = known ? nullptr : look_up(words);
  if (!known && phrase == nullptr) return {};
  part.part = known ? Part::event : phrase->part;
  part.event = known ? *known : phrase->event;
  if (phrase != nullptr) part.text = phrase->value;
  return part;
}

/// `molt in B2's box` is a skin that was found, where `B2 molt in the night` is none.
bool only_at_the_beginning(std::string_view words) {
  return words == "moltin" || words == "skinin" || words == "shedin" || words == "exuviain";
}

}  // namespace

bool is_article(std::string_view folded) {
  static constexpr std::array<std::string_view, 22> articles = {"a",   "an",  "the",  "its",  "his", "her",  "is",  "are", "was", "were", "has",
                                                                "have", "had", "been", "it",   "she", "he",   "they", "some", "my", "this", "their"};
  return std::find(articles.begin(), articles.end(), folded) != articles.end();
}

std::optional<NotePart> match_phrase(const NoteContext& context, std::size_t at) {
  constexpr std::size_t most_words = 7, most_content = 5;
  std::optional<NotePart> best;
  std::string joined;
  std::size_t content = 0;
  for (std::size_t i = at; i < context.words.size() && i < at + most_words && content < most_content; ++i) {
    const std::string& word = context.folded(i);
    if (i == at || !is_article(word)) {
      joined += word;
      ++content;
      auto part = phrase_part(context, joined);
      if (part && !(only_at_the_beginning(joined) && at > 1)) {
        best = std::move(part);
        best->begin = at;
        best->end = i + 1;
      }
    }
    if (context.words[i].comma || context.words[i].ends_clause) break;
  }
  if (!best && is_article(context.folded(at))) {
    best.emplace();
    best->part = Part::filler;
    best->begin = at;
    best->end = at + 1;
  }
  return best;
}

std::string nearest_note_word(std::string_view folded) {
  const std::size_t allowed = folded.size() < 3 ? 0 : folded.size() < 8 ? 1 : 2;
  std::string best;
  std::size_t least = allowed + 1;
  const auto see = [&](std::string_view word) {
    if (word.size() < 3) return;
    const std::size_t distance = edit_distance(folded.substr(0, 40), fold(word));
    if (distance >= least) return;
    least = distance;
    best = word;
  };
  for (const std::string_view word : event_names()) see(word);
  for (const std::string_view word : {"molted", "eaten", "refused", "rehoused", "female", "male", "except", "skin", "found"}) see(word);
  for (const std::string_view word : day_words()) see(word);
  for (const Phrase& p : molts) see(p.words);
  for (const Phrase& p : meals) see(p.words);
  for (const Phrase& p : signs) see(p.words);
  for (const Phrase& p : others) see(p.words);
  for (const Phrase& p : values) see(p.words);
  return best;
}

}  // namespace moltspan
