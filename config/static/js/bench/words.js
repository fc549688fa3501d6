/* Words and meanings the server wrote into the page: no rule and no sentence is made up here. */

const place = document.getElementById("words");
const texts = (name) =>
  new Map([...(place?.querySelectorAll(`[data-${name}]`) ?? [])].map((one) => [one.getAttribute(`data-${name}`), one.textContent]));

export const words = Object.fromEntries(texts("word"));
export const markCards = texts("mark");
export const dayCards = texts("day-card");
const days = texts("day-of");

export const lastDayIs = (said) => {
  if (said) days.set("+", said);
};

const DAY = /^(\d{1,2}([/.-]\d{1,2}([/.-]\d{2,4})?\.?)?|\d{4}-\d{2}-\d{2}|[.+=])$/;

/* The day a text stands for ("19", "+", "."), or "" for anything else; a card's day is its value. */
export const dayIn = (raw) => {
  const text = raw.replaceAll(/\s+/g, "").toUpperCase().replace(/^\][A-Z][0-9A-Z]/, "");
  return dayCards.get(text) ?? (DAY.test(text) ? text : "");
};

/* What a keyed day means, in words, before it counts; "" where only the server can say. */
export const dayInWords = (raw) => {
  const text = raw.trim();
  if (text === ".") return words.noDate;
  if (text === "+") return days.get("+") ? `${words.sameDay} ${days.get("+")}` : "";
  const day = /^\d{1,2}$/.test(text) ? days.get(String(Number(text))) : "";
  return day ? `${words.yourDay} ${day}` : "";
};
