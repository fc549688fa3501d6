/* One scan to the server and its answer; what kind of trouble it was, if not. */

const PATIENCE = 6000; // ms; longer than that counts as no network

export class NoNetwork extends Error {}
export class SignedOut extends Error {}
export class Refused extends Error {}

const fetched = async (address, options) => {
  const ends = new AbortController();
  const clock = window.setTimeout(() => ends.abort(), PATIENCE);
  try {
    return await fetch(address, { ...options, signal: ends.signal, redirect: "manual", cache: "no-store" });
  } catch (error) {
    throw new NoNetwork(String(error));
  } finally {
    window.clearTimeout(clock);
  }
};

const read = async (response) => {
  if (response.type === "opaqueredirect" || response.status === 302) throw new SignedOut("sign in again");
  if (response.status >= 502 && response.status <= 504) throw new NoNetwork(`answer ${response.status}`);
  if (!response.ok) throw new Refused(String(response.status));
  try {
    return await response.json();
  } catch (error) {
    throw new NoNetwork(String(error));
  }
};

export const wire = (form) => {
  const token = form.elements.csrfmiddlewaretoken;
  const post = async (scan) => {
    const body = new URLSearchParams({
      raw: scan.raw,
      typed: scan.typed ? "yes" : "no",
      sequence: scan.sequence,
      pending: scan.pending ?? "",
      window: scan.window,
      operator: form.dataset.operator,
    });
    if (scan.offline) {
      body.set("offline", "yes");
      body.set("claimed", scan.operator);
      body.set("day", scan.day ?? "");
      body.set("cards", (scan.cards ?? []).join(" "));
    }
    const headers = { Accept: "application/json", "X-CSRFToken": token.value };
    return read(await fetched(form.action, { method: "POST", body, headers }));
  };
  return {
    state: async () => {
      const found = await read(await fetched(form.dataset.state, { headers: { Accept: "application/json" } }));
      token.value = found.token;
      return found;
    },
    /* A token that has become stale while the network was away is fetched afresh, once. */
    scan: async (scan) => {
      try {
        return await post(scan);
      } catch (error) {
        if (!(error instanceof Refused) || error.message !== "403") throw error;
      }
      const found = await read(await fetched(form.dataset.state, { headers: { Accept: "application/json" } }));
      token.value = found.token;
      return post(scan);
    },
  };
};
