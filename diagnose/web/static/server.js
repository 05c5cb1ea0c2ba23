// Asking the server.
export class Refused extends Error {
  constructor(status, told) {
    super(told.error || "the server did not understand");
    this.status = status;
    this.told = told;
  }
}

/** Ask the server; data as JSON, anything else as it is. A refusal is thrown with its words. */
export async function ask(method, path, data, how = {}) {
  const options = { method, ...how };
  if (data instanceof FormData) options.body = data;
  else if (data !== undefined) {
    options.body = JSON.stringify(data);
    options.headers = { "Content-Type": "application/json" };
  }
  const answer = await fetch(path, options);
  const json = (answer.headers.get("Content-Type") || "").startsWith("application/json");
  const told = json ? await answer.json() : await answer.text();
  if (!answer.ok) throw new Refused(answer.status, json ? told : { error: told });
  return told;
}

export const wait = (ms) => new Promise((done) => setTimeout(done, ms));
