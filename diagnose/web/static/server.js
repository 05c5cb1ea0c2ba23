// Asking the server.
export class Refused extends Error {
  constructor(status, told) {
    super(told.error || "the server did not understand");
    this.status = status;
    this.told = told;
  }
}

/** There is no server, or it is silent for too long. */
export class Silent extends Error {
  constructor() { super("the server does not answer"); }
}

/** Ask the server; data as JSON, anything else as it is. A refusal is thrown with its words, and silence as such. */
export async function ask(method, path, data, how = {}) {
  const options = { method, ...how };
  if (data instanceof FormData) options.body = data;
  else if (data !== undefined) {
    options.body = JSON.stringify(data);
    options.headers = { "Content-Type": "application/json" };
  }
  let answer, json, told;
  try {
    answer = await fetch(path, options);
    json = (answer.headers.get("Content-Type") || "").startsWith("application/json");
    told = json ? await answer.json() : await answer.text();
  } catch {
    throw new Silent();
  }
  if (!answer.ok) throw new Refused(answer.status, json ? told : { error: told });
  return told;
}

export const wait = (ms) => new Promise((done) => setTimeout(done, ms));
