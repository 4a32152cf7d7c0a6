#include <algorithm>
#include <stdexcept>

#include "moltspan/records/records.hpp"
#include "records/fields.hpp"
#include "records/words.hpp"
#include "base/toml_of_user.hpp"

namespace moltspan {
namespace {

[[noreturn]] void refuse(const std::string& source, const toml::source_region& where, const std::string& what) {
  throw std::runtime_error(source + ", line " + std::to_string(where.begin.line) + ": " + what);
}

std::string text_of(const std::string& source, std::string_view key, const toml::node& node) {
  if (const auto* text = node.as_string()) return text->get();
  refuse(source, node.source(), in_quotes(key) + " must be a text in quotes");
}

DateOrder date_order(const std::string& source, const toml::node& node) {
  const std::string text = text_of(source, "date_order", node);
  if (fold(text) == "dayfirst") return DateOrder::day_first;
  if (fold(text) == "monthfirst") return DateOrder::month_first;
  refuse(source, node.source(), "date_order is '" + text + "'; write \"day_first\" or \"month_first\"");
}

std::string unit(const std::string& source, std::string_view key, const toml::node& node, Quantity quantity) {
  const std::string text = text_of(source, key, node);
  const auto known = find_unit(text);
  if (!known || known->quantity != quantity)
    refuse(source, node.source(),
           in_quotes(key) + " is " + in_quotes(text) + "; write " + std::string(unit_words(quantity)));
  return text;
}

const toml::table& table_of(const std::string& source, std::string_view key, const toml::node& node) {
  if (const auto* table = node.as_table()) return *table;
  refuse(source, node.source(), in_quotes(key) + " must be a table: [" + std::string(key) + "]");
}

/// False where the key names no unit.
bool read_unit(const std::string& source, std::string_view key, const toml::node& node, FolderRules& rules) {
  if (key == "length")
    rules.length_unit = unit(source, key, node, Quantity::length);
  else if (key == "mass")
    rules.mass_unit = unit(source, key, node, Quantity::mass);
  else if (key == "temperature")
    rules.temperature_unit = unit(source, key, node, Quantity::temperature);
  else
    return false;
  return true;
}

void read_units(const std::string& source, const toml::table& units, FolderRules& rules) {
  for (const auto& [key, node] : units)
    if (!read_unit(source, key.str(), node, rules))
      refuse(source, key.source(),
             "unknown unit key '" + std::string(key.str()) + "'; write length, mass or temperature");
}

void read_columns(const std::string& source, const toml::table& columns, FolderRules& rules) {
  const auto known = column_names();
  for (const auto& [key, node] : columns) {
    const std::string ours = fold_column(text_of(source, key.str(), node));
    if (std::find(known.begin(), known.end(), ours) == known.end())
      refuse(source, node.source(),
             in_quotes(ours) + " is no column of ours; the nearest is '" + nearest_word(ours, known) +
                 "' (write \"your word\" = \"our word\")");
    rules.columns.emplace_back(key.str(), ours);
  }
}

void read_events(const std::string& source, const toml::table& events, FolderRules& rules) {
  for (const auto& [key, node] : events) {
    const std::string text = text_of(source, key.str(), node);
    const auto ours = find_event(text);
    if (!ours)
      refuse(source, node.source(),
             in_quotes(text) + " is no event of ours: " + event_advice(text) + " (\"your word\" = \"our word\")");
    rules.events.emplace_back(key.str(), event_name(*ours));
  }
}

/// Whether forecasts are kept concerns the command that makes them; here it only has to be true or false.
void check_flag(const std::string& source, std::string_view name, const toml::node& node) {
  if (!node.is_boolean()) refuse(source, node.source(), std::string(name) + " is true or false, without quotes");
}

void read_key(const std::string& source, const toml::key& key, const toml::node& node, FolderRules& rules) {
  const std::string_view name = key.str();
  static constexpr std::string_view suffix = "_unit";
  if (name == "date_order")
    rules.date_order = date_order(source, node);
  else if (name == "units")
    read_units(source, table_of(source, name, node), rules);
  else if (name == "columns")
    read_columns(source, table_of(source, name, node), rules);
  else if (name == "events")
    read_events(source, table_of(source, name, node), rules);
  else if (name == "keep_forecasts")
    check_flag(source, name, node);
  else if (!name.ends_with(suffix) || !read_unit(source, name.substr(0, name.size() - suffix.size()), node, rules))
    refuse(source, key.source(),
           "unknown key '" + std::string(name) +
               "'; known are date_order, keep_forecasts, [units], [columns] and [events]");
}

}  // namespace

FolderRules read_folder_rules(std::string_view text, const std::string& source) {
  toml::table table;
  try {
    table = parse_users_toml(text, source);
  } catch (const toml::parse_error& error) {
    refuse(source, error.source(), std::string(error.description()));
  } catch (const std::length_error& error) {
    throw std::runtime_error(source + ", " + error.what());
  }
  FolderRules rules;
  for (const auto& [key, node] : table) read_key(source, key, node, rules);
  return rules;
}

}  // namespace moltspan
