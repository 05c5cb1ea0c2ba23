// The linter's recommended rules, and a few for what two scripts of a page get wrong unseen.
import js from "@eslint/js";
import globals from "globals";

export default [
  { ignores: ["**/node_modules/"] },
  js.configs.recommended,
  {
    rules: {
      eqeqeq: "error", // 0, "" and null are different things in a field
      "no-var": "error",
      "prefer-const": "error",
      "no-implicit-globals": "error",
      "no-shadow": "error",
      "no-unused-vars": ["error", { argsIgnorePattern: "^_", varsIgnorePattern: "^_$" }],
      // The page's policy forbids what is put together from text; told here before a browser does.
      "no-eval": "error",
      "no-implied-eval": "error",
      "no-new-func": "error",
    },
    linterOptions: { reportUnusedDisableDirectives: "error" },
  },
  { files: ["diagnose/web/static/*.js"], languageOptions: { globals: globals.browser } },
  // Run before anything is drawn, so no module.
  { files: ["diagnose/web/static/theme.js"], languageOptions: { sourceType: "script" } },
  {
    // What can be tried without a browser names nothing that only a browser has.
    files: ["axes", "bench_places", "bench_words", "block", "by_stage", "channels", "clash", "content", "further", "history", "latest", "marks", "merge", "moves", "parts", "rows", "scale", "taken", "told", "walk"]
      .map((name) => `diagnose/web/static/${name}.js`),
    languageOptions: { globals: Object.fromEntries(Object.keys(globals.browser).map((word) =>
      [word, word in globals["shared-node-browser"] ? "readonly" : "off"])) },
  },
  { files: ["tests/page/*.js"], languageOptions: { globals: globals.node } },
];
